package cxf_test

import (
	"bytes"
	"os"
	"reflect"
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol/cxf"
	"swathkeeper/protocol/measurement"
)

// TestPublishedDocuments reads the open documents of testdata/charts/cxf (see
// SOURCES.md there for where they are from). What is expected was read off
// them by eye; three of them test the bounds of the format and hold nothing
// that a chart could be read from.
func TestPublishedDocuments(t *testing.T) {
	read := func(name string) (*measurement.File, error) {
		data, err := os.ReadFile("../../testdata/charts/cxf/" + name)
		if err != nil {
			t.Fatal(err)
		}
		return cxf.Read(data, name, measurement.Options{})
	}
	f, err := read("sample.cxf")
	if err != nil {
		t.Fatal(err)
	}
	if f.Len() != 144 || f.ID[0] != "1" || f.ID[143] != "144" || f.Device != nil || f.XYZ != nil {
		t.Errorf("%d patches, %s to %s", f.Len(), f.ID[0], f.ID[143])
	}
	if want := ([3]float64{17.64167, 1.076669, 0.3338588}); f.Lab[0] != want {
		t.Errorf("Lab of the first is %v", f.Lab[0])
	}
	s := f.Spectra
	if s.StartNM != 380 || s.StepNM != 10 || len(s.Values[1]) != 31 || s.Values[1][0] != 0.0394959 || s.Values[1][30] != 0.8545514 {
		t.Errorf("the second spectrum starts at %g by %g: %v", s.StartNM, s.StepNM, s.Values[1])
	}
	want := measurement.Condition{Illuminant: "D50", Observer: "2", Geometry: "45/0"}
	if f.Condition != want || f.Created.Format(time.RFC3339) != "2007-06-14T00:00:00-08:00" {
		t.Errorf("%+v, %v", f.Condition, f.Created)
	}
	if len(f.Warnings) != 1 || !strings.Contains(f.Warnings[0], "cover 380 to 680 nm only") || f.Fault != "" || !reflect.DeepEqual(f.Ignored, []string{"ColorSRGB"}) {
		t.Errorf("warnings %q, fault %q, not taken %q", f.Warnings, f.Fault, f.Ignored)
	}
	var b bytes.Buffer
	if err := cxf.Write(&b, f, time.Unix(0, 0)); err != nil {
		t.Fatal(err)
	}
	g, err := cxf.Read(b.Bytes(), "written", measurement.Options{})
	if err != nil || !reflect.DeepEqual([]any{f.ID, f.Lab, f.Spectra, f.Condition}, []any{g.ID, g.Lab, g.Spectra, g.Condition}) {
		t.Errorf("changed by writing and reading: %v", err)
	}
	for name, says := range map[string]string{
		"custom_spectrum_irregular.cxf": "line 15: the bands are not evenly spaced",
		"minimal_cxf.cxf":               "no measured colours in the document",
		"spectral_data_boundaries.cxf":  "line 26: a spectrum of 20 bands from 400 nm by 20",
	} {
		if _, err := read(name); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
