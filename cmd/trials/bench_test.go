package main

import (
	"bytes"
	"strings"
	"testing"
)

const benchBefore = `goos: linux
goarch: amd64
pkg: swathkeeper/measure/colour
cpu: Somebody's Processor
BenchmarkA-2 1000 100.0 ns/op 0 B/op 0 allocs/op
BenchmarkA-2 1000 101.0 ns/op 0 B/op 0 allocs/op
BenchmarkA-2 1000 99.0 ns/op 0 B/op 0 allocs/op
BenchmarkA-2 1000 102.0 ns/op 0 B/op 0 allocs/op
BenchmarkB-2 1000 100.0 ns/op 500 B/op 5 allocs/op
BenchmarkB-2 1000 180.0 ns/op 500 B/op 5 allocs/op
BenchmarkB-2 1000 90.0 ns/op 500 B/op 5 allocs/op
BenchmarkB-2 1000 120.0 ns/op 500 B/op 5 allocs/op
`

// TestCompareBenchmarks: what is slower beyond chance, and what takes more memory, is told; noise, what
// is within a tenth, what is new and what another processor took is not.
func TestCompareBenchmarks(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, old, new string
		worse          int
		want           string
	}{
		{"the same", "", "", 0, "2 benchmarks, 0 of them new; 0 figures worse"},
		{"slower", "BenchmarkA-2 1000 ", "BenchmarkA-2 1000 1", 1, "worse: swathkeeper/measure/colour A-2: 100ns before, 1.1"},
		{"noise", "BenchmarkB-2 1000 100.0", "BenchmarkB-2 1000 200.0", 0, "0 figures worse"},
		{"an allocation more", "5 allocs/op", "6 allocs/op", 1, "B-2: 5 allocs/op before, 6 allocs/op now (+20 %"},
		{"some bytes more", "500 B/op", "560 B/op", 0, "0 figures worse"},
		{"the first allocation", "0 allocs/op", "1 allocs/op", 1, "from none"},
		{"new", "BenchmarkA", "BenchmarkC", 0, "2 benchmarks, 1 of them new"},
		{"another processor", "Somebody's", "Another's", 0, "the times of 2 are of another processor"},
	} {
		before, err := readBenchmarks(strings.NewReader(benchBefore), "before")
		if err != nil {
			t.Fatal(err)
		}
		after, err := readBenchmarks(strings.NewReader(strings.ReplaceAll(benchBefore, c.old, c.new)), "after")
		if err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		if got := compareBenchmarks(&out, before, after); got != c.worse || !strings.Contains(out.String(), c.want) {
			t.Errorf("%s: %d worse:\n%swant %d and %q", c.name, got, out.String(), c.worse, c.want)
		}
	}
}
