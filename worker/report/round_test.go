package report

import "testing"

func TestRound3(t *testing.T) {
	for v, want := range map[float64]string{0: "0", 0.75: "0.75", 7.5: "7.5", -15: "-15", 3000: "3000", 25000: "25000", 1234.5: "1230", 0.0125: "0.0125"} {
		if got := round3(v); got != want {
			t.Errorf("%g is written %q, want %q", v, got, want)
		}
	}
}
