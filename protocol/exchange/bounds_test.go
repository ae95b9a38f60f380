package exchange_test

import (
	"bytes"
	"errors"
	"fmt"
	"runtime"
	"strings"
	"testing"

	"swathkeeper/protocol"
	"swathkeeper/protocol/exchange"
	"swathkeeper/protocol/measurement"
)

// allocated is how many bytes f allocates in all, freed ones too, so that it
// bounds what the memory can have held at any moment.
func allocated(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

const base = "CGATS.17\nBEGIN_DATA_FORMAT\nSAMPLE_ID LAB_L LAB_A LAB_B\nEND_DATA_FORMAT\n"

// hostile are files that are large, or that grow when they are read.
var hostile = []struct {
	name string
	data func() string
	says string
}{
	{"a million sets", func() string { return base + "BEGIN_DATA\n" + strings.Repeat("1 50 0 0\n", 1_000_000) + "END_DATA\n" }, "more than 80000 lines"},
	{"a million sets, declared", func() string {
		return base + "NUMBER_OF_SETS 1000000\nBEGIN_DATA\n" + strings.Repeat("1 50 0 0\n", 1_000_000) + "END_DATA\n"
	}, "at most 20000 are read"},
	{"sets just above the limit", func() string {
		return base + "BEGIN_DATA\n" + strings.Repeat("1 50 0 0\n", measurement.MaxPatches+1) + "END_DATA\n"
	}, "at most 20000 are read"},
	{"a million lines in a table", func() string { return "id,L,a,b\n" + strings.Repeat("1,50,0,0\n", 1_000_000) }, "at most 20000 patches"},
	{"over the size limit", func() string { return base + strings.Repeat(" ", measurement.MaxBytes) }, "more than 16777216 bytes"},
	{"a line of 10 MB", func() string { return base + "BEGIN_DATA\n1 50 0 " + strings.Repeat("0", 10<<20) + "\nEND_DATA\n" }, "at most 1048576 are read"},
	{"a line of 10 MB in the header", func() string { return "CGATS.17\nDESCRIPTOR " + strings.Repeat("x", 10<<20) + "\n" + base }, "at most 1048576 are read"},
	{"a line of 10 MB in a table", func() string { return "id,L,a,b\n1,50,0," + strings.Repeat("0", 10<<20) + "\n" }, "at most 1048576 are read"},
	{"a header line of 10 MB in a table", func() string { return "id,L,a,b," + strings.Repeat("x", 10<<20) + "\n" }, "at most 1048576 are read"},
	{"a number of 900,000 digits", func() string {
		return base + "BEGIN_DATA\n1 50 0 " + strings.Repeat("9", 900_000) + "\nEND_DATA\n"
	}, "is not a number"},
	{"200,000 values in a line", func() string { return base + "BEGIN_DATA\n" + strings.Repeat("1 ", 200_000) + "\nEND_DATA\n" }, "more than 2000 values"},
	{"200,000 fields", func() string {
		return "CGATS.17\nBEGIN_DATA_FORMAT\n" + strings.Repeat("A ", 200_000) + "\nEND_DATA_FORMAT\n"
	}, "more than 2000"},
	{"200,000 fields on lines of their own", func() string {
		return "CGATS.17\nBEGIN_DATA_FORMAT\n" + strings.Repeat("A\n", 200_000) + "END_DATA_FORMAT\n"
	}, "more than 2000"},
	{"200,000 columns in a table", func() string { return "id,L,a,b" + strings.Repeat(",x", 200_000) + "\n" }, "at most 2000 are read"},
	{"200,000 values in a line of a table", func() string { return "id,L,a,b\n" + strings.Repeat("1,", 200_000) + "\n" }, "200001 values"},
	{"200,000 fields declared", func() string { return "CGATS.17\nNUMBER_OF_FIELDS 200000\n" + base }, "at most 2000 are read"},
	{"a hundred lines of 1,900 empty fields before a header", func() string {
		return strings.Repeat(strings.Repeat("xx,", 2)+strings.Repeat(",", 1_900)+"y\n", 100) + "id,L,a,b\n1,50,0,0\n"
	}, "most of them without a name"},
	{"1,900 bands and 20,000 empty lines", func() string {
		var b strings.Builder
		for i := range 1_900 {
			fmt.Fprintf(&b, "%d,", 380+i)
		}
		return b.String() + "\n" + strings.Repeat("\n", 20_000)
	}, "no patch with values"},
	{"a million comments that state a condition", func() string { return "CGATS.17\n" + strings.Repeat("# OBSERVER 2\n", 1_000_000) }, "no BEGIN_DATA"},
	{"a quote that never ends", func() string { return "id,L,a,b\n\"" + strings.Repeat("x\n", 5_000) }, "quote"},
	{"only CRs", func() string { return base + strings.Repeat("\r", 10<<20) }, "without BEGIN_DATA"},
	{"only tabs", func() string {
		return base + "BEGIN_DATA\n" + strings.Repeat(strings.Repeat("\t", 1000)+"\n", 10_000) + "END_DATA\n"
	}, "without sets"},
	{"a million tables", func() string {
		return strings.Repeat("BEGIN_DATA_FORMAT\nA\nEND_DATA_FORMAT\nBEGIN_DATA\nEND_DATA\n", 200_000)
	}, "more than 100 tables"},
	{"a million header lines", func() string { return "CGATS.17\n" + strings.Repeat("KEYWORD \"A\"\n", 1_000_000) }, "no BEGIN_DATA"},
	{"NUL bytes", func() string { return base + strings.Repeat("\x00", 10<<20) }, "NUL byte"},
	{"entities that grow", func() string {
		var b strings.Builder
		b.WriteString("<?xml version=\"1.0\"?><!DOCTYPE CxF [<!ENTITY a \"ha\">")
		for i := 'b'; i < 'z'; i++ {
			fmt.Fprintf(&b, "<!ENTITY %c \"%s\">", i, strings.Repeat(fmt.Sprintf("&%c;", i-1), 10))
		}
		return b.String() + "]><CxF xmlns=\"http://colorexchangeformat.com/CxF3-core\">&y;</CxF>"
	}, "document type declaration"},
	{"elements a million deep", func() string { return cxfHead + strings.Repeat("<Resources>", 400_000) }, "64 deep"},
	{"four million elements", func() string { return cxfHead + strings.Repeat("<a/>", 3_900_000) }, "more than 500000 elements"},
	{"half a million elements", func() string { return cxfHead + strings.Repeat("<a/>", 499_000) }, ""},
	{"elements of half a million names", func() string {
		var b strings.Builder
		b.WriteString(cxfHead)
		for i := range 400_000 {
			fmt.Fprintf(&b, "<e%d/>", i)
		}
		return b.String()
	}, ""},
	{"a tag of 10 MB", func() string { return cxfHead + "<a " + strings.Repeat("b='' ", 2<<20) + "/>" }, "more than 262144 bytes"},
	{"a tag of 50,000 attributes", func() string { return cxfHead + "<a " + strings.Repeat("b='' ", 50_000) + "/>" }, ""},
	{"a text of 10 MB", func() string { return cxfHead + strings.Repeat("1 ", 5<<20) }, "more than 262144 bytes"},
	{"a comment of 10 MB", func() string { return cxfHead + "<!--" + strings.Repeat("1 ", 5<<20) + "-->" }, "more than 262144 bytes"},
	{"a spectrum of 100,000 bands", func() string {
		return cxfHead + "<Resources><ObjectCollection><Object><ColorValues><ReflectanceSpectrum>" + strings.Repeat("1 ", 100_000) + "</ReflectanceSpectrum>"
	}, "more than 2000 bands"},
	{"lists 10 MB deep", func() string { return `{"patches":{"lab":` + strings.Repeat("[", 10<<20) }, "at most 4194304 are read"},
	{"lists 1 MB deep", func() string { return `{"patches":{"lab":` + strings.Repeat("[", 1<<20) }, "too_large"},
	{"lists 800 KB deep", func() string { return `{"patches":{"lab":` + strings.Repeat("[", 800<<10) }, "bad_json"},
}

const cxfHead = `<CxF xmlns="http://colorexchangeformat.com/CxF3-core">`

// TestHostile reads them all: each is refused, for its own reason, within
// 64 MB and 16 times the input (small ones: and 256 KB).
func TestHostile(t *testing.T) {
	for _, c := range hostile {
		t.Run(c.name, func(t *testing.T) {
			data := []byte(c.data())
			var err error
			n := allocated(func() { _, err = exchange.Read(data, "hostile", measurement.Options{}) })
			var e *measurement.Error
			var r *protocol.Refusal
			if err == nil {
				t.Fatal("taken")
			}
			if !errors.As(err, &e) && !errors.As(err, &r) || !strings.Contains(err.Error(), c.says) {
				t.Errorf("error %v, want %q", err, c.says)
			}
			if len(err.Error()) > 400 {
				t.Errorf("an error of %d bytes", len(err.Error()))
			}
			if n > 64<<20 || n > 16*uint64(len(data))+256<<10 {
				t.Errorf("%d bytes allocated for %d, %.1f times", n, len(data), float64(n)/float64(len(data)))
			}
		})
	}
	t.Run("one byte too many", func(t *testing.T) {
		data := bytes.Repeat([]byte{' '}, measurement.MaxBytes+1)
		n := allocated(func() {
			_, err := exchange.Read(data, "endless", measurement.Options{})
			if err == nil || !strings.Contains(err.Error(), "more than 16777216 bytes") {
				t.Error(err)
			}
		})
		if n > 1<<20 {
			t.Errorf("%d bytes", n)
		}
	})
}

func BenchmarkHostile(b *testing.B) {
	for _, c := range hostile {
		data := []byte(c.data())
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				_, _ = exchange.Read(data, "hostile", measurement.Options{})
			}
		})
	}
}
