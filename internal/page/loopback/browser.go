package loopback

import (
	"os"
	"os/exec"
	"runtime"
)

// Show opens an address in the user's browser and does not wait for it. It reports
// whether there was a way to.
func Show(address string) bool {
	name, args := opener(runtime.GOOS, os.Getenv, address)
	if name == "" {
		return false
	}
	c := exec.Command(name, args...)
	if c.Start() != nil {
		return false
	}
	go func() { _ = c.Wait() }() // so that no ended child is left
	return true
}

// opener is the command that opens an address on a system; "" where there is none.
func opener(system string, env func(string) string, address string) (string, []string) {
	switch {
	case env("BROWSER") != "":
		return env("BROWSER"), []string{address}
	case system == "darwin":
		return "/usr/bin/open", []string{address}
	case system == "windows":
		// Not cmd /c start, which reads an address for commands of its own.
		return "rundll32", []string{"url.dll,FileProtocolHandler", address}
	case env("DISPLAY") != "" || env("WAYLAND_DISPLAY") != "":
		return "xdg-open", []string{address}
	}
	return "", nil
}
