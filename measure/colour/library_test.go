package colour

import (
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// inC gives the difference of each pair by a general C colour library, and the time it takes for one. The
// library's function is declared here, since many machines have the library without its headers.
const inC = `
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
typedef struct { double L, a, b; } lab;
double cmsCIE2000DeltaE(const lab *, const lab *, double, double, double);
static lab pairs[1024][2];
int main(int argc, char **argv) {
	long n = argc > 1 ? atol(argv[1]) : 1024;
	if (fread(pairs, sizeof pairs, 1, stdin) != 1) return 1;
	for (int i = 0; i < 1024; i++) printf("%.9f\n", cmsCIE2000DeltaE(&pairs[i][0], &pairs[i][1], 1, 1, 1));
	struct timespec from, to;
	volatile double sum = 0;
	clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &from);
	for (long i = 0; i < n; i++) sum += cmsCIE2000DeltaE(&pairs[i % 1024][0], &pairs[i % 1024][1], 1, 1, 1);
	clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &to);
	printf("ns %.3f\n", ((to.tv_sec - from.tv_sec) * 1e9 + (to.tv_nsec - from.tv_nsec)) / n);
	return 0;
}
`

// cLibrary builds that program; it skips where there is no C compiler or no such library.
func cLibrary(tb testing.TB) string {
	tb.Helper()
	cc, err := exec.LookPath("cc")
	if err != nil {
		tb.Skip("no C compiler here")
	}
	dir := tb.TempDir()
	source, program := filepath.Join(dir, "difference.c"), filepath.Join(dir, "difference")
	if err := os.WriteFile(source, []byte(inC), 0o600); err != nil {
		tb.Fatal(err)
	}
	if out, err := exec.Command(cc, "-O2", "-o", program, source, "-l:liblcms2.so.2", "-lm").CombinedOutput(); err != nil {
		tb.Skipf("the C colour library is not here: %s", out)
	}
	return program
}

// runC gives the library's differences of the benchmark's pairs, and its time for one pair in ns of
// processor time over n pairs.
func runC(tb testing.TB, program string, n int) (diffs []float64, ns float64) {
	tb.Helper()
	p, q := benchPairs()
	var in strings.Builder
	for i := range p {
		for _, v := range []float64{p[i].L, p[i].A, p[i].B, q[i].L, q[i].A, q[i].B} {
			if err := binary.Write(&in, binary.NativeEndian, v); err != nil {
				tb.Fatal(err)
			}
		}
	}
	cmd := exec.Command(program, fmt.Sprint(n))
	cmd.Stdin = strings.NewReader(in.String())
	out, err := cmd.Output()
	if err != nil {
		tb.Fatal(err)
	}
	for _, line := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		var v float64
		if text, ok := strings.CutPrefix(line, "ns "); ok {
			if _, err := fmt.Sscan(text, &ns); err != nil {
				tb.Fatal(err)
			}
			continue
		}
		if _, err := fmt.Sscan(line, &v); err != nil {
			tb.Fatal(err)
		}
		diffs = append(diffs, v)
	}
	return diffs, ns
}

// TestDE2000AsInC: a general C colour library, written by others from the same standard, gives the same
// differences for 1,024 pairs such as charts have.
func TestDE2000AsInC(t *testing.T) {
	t.Parallel()
	got, _ := runC(t, cLibrary(t), 1)
	p, q := benchPairs()
	if len(got) != len(p) {
		t.Fatalf("%d differences of %d", len(got), len(p))
	}
	for i, want := range got {
		if d := DE2000(p[i], q[i]); math.Abs(d-want) > 1e-4 {
			t.Errorf("pair %v, %v: %.6f, the library says %.6f", p[i], q[i], d, want)
		}
	}
}

// BenchmarkDE2000InC is the same pairs by that library, called from C.
func BenchmarkDE2000InC(b *testing.B) {
	const often = 2_000_000 // the program times itself: what starting it takes is not the library's
	_, ns := runC(b, cLibrary(b), often)
	b.ReportMetric(ns, "ns/op")
}
