package cxf_test

import (
	"os"
	"testing"

	"swathkeeper/protocol/cxf"
	"swathkeeper/protocol/measurement"
)

// TestDeclaredEncoding: byte 0xA1 is "Ą" in ISO 8859-2 and "¡" in windows-1252.
func TestDeclaredEncoding(t *testing.T) {
	data, err := os.ReadFile("../../testdata/files/iso-8859-2.cxf")
	if err != nil {
		t.Fatal(err)
	}
	f, err := cxf.Read(data, "iso", measurement.Options{})
	if err != nil || f.ID[0] != "Ą" {
		t.Fatalf("%v, %q", err, f.ID)
	}
}
