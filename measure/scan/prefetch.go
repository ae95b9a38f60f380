//go:build amd64 || arm64

package scan

// prefetch asks for the cache lines of n bytes, so that they are there when they are read soon after:
// fetching them is most of the time that reading a large picture takes. It reads nothing itself.
//
//go:noescape
func prefetch(p *byte, n int)
