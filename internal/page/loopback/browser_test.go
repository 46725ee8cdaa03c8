package loopback

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestTheBrowserThatIsOpened(t *testing.T) {
	for _, c := range []struct {
		system string
		env    map[string]string
		want   string
	}{
		{"linux", map[string]string{"DISPLAY": ":0"}, "xdg-open"},
		{"linux", map[string]string{"WAYLAND_DISPLAY": "wayland-0"}, "xdg-open"},
		{"linux", nil, ""},
		{"linux", map[string]string{"BROWSER": "lynx"}, "lynx"},
		{"darwin", nil, "/usr/bin/open"},
		{"windows", nil, "rundll32"},
	} {
		name, args := opener(c.system, func(key string) string { return c.env[key] }, "http://127.0.0.1:1/enter/x")
		assert.Equal(t, c.want, name)
		if name != "" {
			assert.Equal(t, "http://127.0.0.1:1/enter/x", args[len(args)-1])
		}
	}
}
