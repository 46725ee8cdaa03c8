//go:build !linux

package scan

// populate is for systems that give fresh memory in larger pieces than single pages
// only when asked to.
func populate([]byte) {}
