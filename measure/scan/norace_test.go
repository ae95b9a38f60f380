//go:build !race

package scan_test

// thorough is unset under the race detector, which makes made-up prints take minutes and learns
// nothing from more of them.
const thorough = true
