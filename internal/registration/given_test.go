package registration

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
)

func TestGivenTransformIsTakenAsItIs(t *testing.T) {
	m := geom.Rotation(vec(0.1, 0.2, 0.3))
	m.T = vec(4, 5, 6)
	r := Given(m)
	assert.Equal(t, m, r.PostToPre)
	assert.Equal(t, "matrix", r.Method)
	assert.Zero(t, r.ExpectedTRE(vec(1, 2, 3)))
	require.Len(t, r.Flags, 1)
	assert.Equal(t, measurement.Notice, r.Flags[0].Level)
}

func TestSameFrame(t *testing.T) {
	const uid, other = "1.2.826.0.1.3680043.8.498.1", "1.2.826.0.1.3680043.8.498.2"
	for _, pair := range [][2]string{{uid, uid}, {uid + "\x00", uid}, {uid, uid + " "}} {
		r, err := SameFrame(pair[0], pair[1], false)
		require.NoError(t, err)
		assert.Equal(t, geom.Identity(), r.PostToPre)
		assert.Equal(t, "same-frame", r.Method)
		assert.NotContains(t, codes(r.Flags), "same-frame-forced")
		assert.Contains(t, codes(r.Flags), "alignment-taken-as-exact")
	}
	for _, c := range []struct{ pre, post, say string }{
		{uid, other, "UIDs differ"},
		{uid, "", "a scan has no Frame of Reference UID"},
		{"", uid, "a scan has no Frame of Reference UID"},
		{"", "", "a scan has no Frame of Reference UID"},
		{" ", "\x00", "a scan has no Frame of Reference UID"},
	} {
		_, err := SameFrame(c.pre, c.post, false)
		require.ErrorIs(t, err, ErrFrames)
		assert.Contains(t, err.Error(), c.say)
		assert.Contains(t, err.Error(), `write method = "scans"`)

		r, err := SameFrame(c.pre, c.post, true)
		require.NoError(t, err)
		assert.Equal(t, geom.Identity(), r.PostToPre)
		require.Contains(t, codes(r.Flags), "same-frame-forced")
		for _, f := range r.Flags {
			if f.Code == "same-frame-forced" {
				assert.Equal(t, measurement.Doubt, f.Level)
				assert.Contains(t, f.Message, c.say)
			}
		}
	}
}
