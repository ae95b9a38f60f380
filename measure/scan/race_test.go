//go:build race

package scan_test

const thorough = false
