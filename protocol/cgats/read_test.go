package cgats_test

import (
	"bytes"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol/cgats"
	"swathkeeper/protocol/measurement"
)

func charts(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "charts", name))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// TestPublishedFiles reads the open files of testdata/charts (see SOURCES.md
// there for where each is from). What is expected was read off the files by
// eye.
func TestPublishedFiles(t *testing.T) {
	for _, c := range []struct {
		file      string
		patches   int
		has       string // blocks
		condition measurement.Condition
		created   string
		encoding  string
		warnings  []string
		fault     string
		lab       map[int][3]float64
	}{
		{file: "FOGRA39L.txt", patches: 1617, has: "CMYK lab xyz", encoding: "utf-8",
			condition: measurement.Condition{Illuminant: "D50", Observer: "2", Filter: "none", Backing: "white", Geometry: "45/0"},
			warnings:  []string{`no day can be told from the date "December 2006"`},
			lab:       map[int][3]float64{0: {95, 0, -2}, 8: {48, 74, -3}, 1616: {22.64, 20.48, -42.96}}},
		{file: "TR006.txt", patches: 1617, has: "CMYK lab xyz", encoding: "utf-8", created: "2006-08-28",
			condition: measurement.Condition{Illuminant: "D50", Observer: "2", Backing: "white", Geometry: "0/45"},
			lab:       map[int][3]float64{0: {95, -0.02, -1.96}, 1616: {22.71, 15.45, -42.66}}},
		{file: "IFRA30S.txt", patches: 925, has: "CMYK lab xyz", encoding: "windows-1252", created: "2004-06-30",
			condition: measurement.Condition{Illuminant: "D50", Observer: "2", Filter: "none", Backing: "white", Geometry: "45/0"},
			warnings:  []string{"END_DATA_FORMAT is missing before line 16", "925 of the 928 declared sets"},
			lab:       map[int][3]float64{0: {59.10, -23.95, -27.15}, 924: {37.79, -12.15, 6.79}}},
		{file: "small-nm-fields.txt", patches: 1, has: "CMYK lab spectra names", encoding: "utf-8", created: "2013-10-29",
			condition: measurement.Condition{Illuminant: "D50", Observer: "2"},
			lab:       map[int][3]float64{0: {43, 56, 16}}},
		{file: "decimal-comma-spectral.txt", patches: 15, has: "lab spectra", encoding: "utf-8", created: "2013-11-21",
			condition: measurement.Condition{Illuminant: "D50", Observer: "2", Mode: "M0", Geometry: "45/0", Source: "A"},
			warnings:  []string{"decimal commas"},
			lab:       map[int][3]float64{0: {85.46, 1.38, 5.97}, 14: {50.44, -29.94, -18.86}}},
		{file: "xyz-unit-scale.txt", patches: 602, has: "RGB xyz", encoding: "utf-8",
			warnings: []string{"XYZ values run from 0 to 1", "exactly 0", "Z is 95.1 in patch \"11\""},
			fault:    "more than any print has under D50"},
	} {
		t.Run(c.file, func(t *testing.T) {
			f, err := cgats.Read(charts(t, c.file), c.file, measurement.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if f.Len() != c.patches {
				t.Errorf("%d patches, want %d", f.Len(), c.patches)
			}
			if got := blocks(f); got != c.has {
				t.Errorf("blocks %q, want %q", got, c.has)
			}
			got := f.Condition
			got.Instrument = "" // free text
			if got != c.condition {
				t.Errorf("condition %+v, want %+v", got, c.condition)
			}
			created := ""
			if f.Created != nil {
				created = f.Created.Format(time.DateOnly)
			}
			if created != c.created || f.Encoding != c.encoding {
				t.Errorf("created %q in %s, want %q in %s", created, f.Encoding, c.created, c.encoding)
			}
			if len(f.Warnings) != len(c.warnings) {
				t.Errorf("warnings %q, want %q", f.Warnings, c.warnings)
			} else {
				for i, w := range c.warnings {
					if !strings.Contains(f.Warnings[i], w) {
						t.Errorf("warning %q, want %q", f.Warnings[i], w)
					}
				}
			}
			if !strings.Contains(f.Fault, c.fault) || (f.Fault == "") != (c.fault == "") {
				t.Errorf("fault %q, want %q", f.Fault, c.fault)
			}
			for i, want := range c.lab {
				if f.Lab[i] != want {
					t.Errorf("Lab of patch %d is %v, want %v", i, f.Lab[i], want)
				}
			}
			var b bytes.Buffer
			if err := cgats.Write(&b, f); err != nil {
				t.Fatal(err)
			}
			g, err := cgats.Read(b.Bytes(), "written", measurement.Options{})
			if err != nil {
				t.Fatalf("%v in\n%.500s", err, b.String())
			}
			same(t, f, g)
		})
	}
}

func blocks(f *measurement.File) string {
	var out []string
	if f.Device != nil {
		out = append(out, f.DeviceSpace())
	}
	if f.Lab != nil {
		out = append(out, "lab")
	}
	if f.XYZ != nil {
		out = append(out, "xyz")
	}
	if f.Spectra != nil {
		out = append(out, "spectra")
	}
	if f.Names != nil {
		out = append(out, "names")
	}
	return strings.Join(out, " ")
}

// same compares all values of two files exactly.
func same(t *testing.T, f, g *measurement.File) {
	t.Helper()
	for _, x := range []struct {
		what string
		a, b any
	}{
		{"ids", f.ID, g.ID}, {"names", f.Names, g.Names}, {"channels", f.Channels, g.Channels}, {"device", f.Device, g.Device},
		{"lab", f.Lab, g.Lab}, {"xyz", f.XYZ, g.XYZ}, {"spectra", f.Spectra, g.Spectra}, {"mode", f.Condition.Mode, g.Condition.Mode},
		{"illuminant", f.Condition.Illuminant, g.Condition.Illuminant}, {"observer", f.Condition.Observer, g.Condition.Observer},
		{"backing", f.Condition.Backing, g.Condition.Backing}, {"filter", f.Condition.Filter, g.Condition.Filter},
	} {
		if !reflect.DeepEqual(x.a, x.b) {
			t.Errorf("%s changed by writing and reading", x.what)
		}
	}
}

func BenchmarkRead1617(b *testing.B) {
	data := charts(b, "FOGRA39L.txt")
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := cgats.Read(data, "", measurement.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
