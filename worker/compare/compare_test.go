package compare_test

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"swathkeeper/measure/drift"
	"swathkeeper/protocol/exchange"
	"swathkeeper/protocol/measurement"
	"swathkeeper/worker/compare"
)

func read(t testing.TB, name string) *measurement.File {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("../../testdata/charts", name))
	if err != nil {
		t.Fatal(err)
	}
	files, err := exchange.Read(data, name, measurement.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return files[0]
}

// TestPublished compares the two published characterisation tables. The figures are from
// testdata/charts/SOURCES.md: two independent libraries, which agree to 5e-7.
func TestPublished(t *testing.T) {
	r, err := compare.Compare(read(t, "FOGRA39L.txt"), read(t, "TR006.txt"), "")
	if err != nil {
		t.Fatal(err)
	}
	if r.N != 1617 || r.PairedBy != "id" || len(r.Warnings) != 0 {
		t.Errorf("n %d, by %s, warnings %q", r.N, r.PairedBy, r.Warnings)
	}
	for _, c := range []struct {
		name      string
		got, want float64
	}{{"mean", r.MeanDE00, 1.285}, {"median", r.MedianDE00, 1.159}, {"p95", r.P95DE00, 2.583}, {"max", r.MaxDE00, 3.444}} {
		if math.Abs(c.got-c.want) > 0.001 {
			t.Errorf("%s %.4f, want %.3f", c.name, c.got, c.want)
		}
	}
	if b := r.Beyond(drift.DefaultTolerances()); len(b) != 1 || !strings.Contains(b[0], "1.29, is over the tolerance of 1.00") {
		t.Errorf("beyond %q", b)
	}
}

// TestRefused are pairs that must not be compared.
func TestRefused(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(a, b *measurement.File)
		says   string
	}{
		{"modes", func(a, b *measurement.File) { a.Condition.Mode, b.Condition.Mode = "M0", "M1" }, "never compared"},
		{"observer of one", func(a, _ *measurement.File) { a.Fault = "Lab and XYZ are for the 10 degree observer" }, "10 degree"},
		{"other ids", func(a, _ *measurement.File) {
			a.Device, a.Channels = nil, nil
			for i := range a.ID {
				a.ID[i] = "x" + a.ID[i]
			}
		}, "cannot be paired"},
	} {
		a, b := read(t, "FOGRA39L.txt"), read(t, "TR006.txt")
		c.change(a, b)
		if _, err := compare.Compare(a, b, ""); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	a, b := read(t, "FOGRA39L.txt"), read(t, "TR006.txt")
	for _, f := range []*measurement.File{a, b} {
		f.Condition.Observer, f.Fault = "10", "Lab and XYZ are for the 10 degree observer"
	}
	r, err := compare.Compare(a, b, "")
	if err != nil || math.Abs(r.MeanDE00-1.285) > 0.001 || len(r.Warnings) != 1 {
		t.Errorf("both of 10 degrees: %v, %v", r, err)
	}
}

// TestSpectraAgainstLab compares a file with itself, once by its spectra and once by the Lab that
// its program computed: the whole way from bands to difference.
func TestSpectraAgainstLab(t *testing.T) {
	for _, name := range []string{"cxf/sample.cxf", "decimal-comma-spectral.txt"} {
		a, b := read(t, name), read(t, name)
		if a.Spectra == nil || a.Lab == nil {
			t.Fatalf("%s has not both", name)
		}
		b.Spectra = nil
		r, err := compare.Compare(a, b, "")
		// Programs weight by other tables and clip the ends differently; a tenth of a unit is
		// rounding and weights (own reckoning).
		if err != nil || r.MaxDE00 > 0.3 {
			t.Errorf("%s: %v, largest %.3f", name, err, r.MaxDE00)
		}
	}
}
