//go:build !unix

package main

// ignoreFileLimit has nothing to do where there is no such limit.
func ignoreFileLimit() {}
