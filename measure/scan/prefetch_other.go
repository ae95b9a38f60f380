//go:build !amd64 && !arm64

package scan

// prefetch does nothing where there is no instruction for it here.
func prefetch(*byte, int) {}
