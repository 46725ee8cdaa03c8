//go:build accuracy

package series

import "testing"

func TestThousandKills(t *testing.T) { kills(t, 1000) }
