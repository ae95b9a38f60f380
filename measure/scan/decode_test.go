package scan

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/png"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/klauspost/compress/zlib"
	"golang.org/x/image/tiff"
)

const scans = "../../testdata/scans"

func decodeBytes(b []byte) (*Picture, error) {
	return Decode(bytes.NewReader(b), int64(len(b)), Limits{})
}

func readScan(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(scans, name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// sample gives a sample scaled to 16 bits.
func (p *Picture) sample(x, y, c int) uint16 {
	i := y*p.stride() + (x*p.Step+c)*p.sampleBytes()
	if p.Bits == 8 {
		return uint16(p.Pix[i]) * 0x101
	}
	return binary.BigEndian.Uint16(p.Pix[i:])
}

// samePixels compares a picture with one decoded by a general-purpose library.
func samePixels(t *testing.T, p *Picture, want image.Image) {
	t.Helper()
	if b := want.Bounds(); p.W != b.Dx() || p.H != b.Dy() {
		t.Fatalf("%d x %d pixels, want %v", p.W, p.H, b.Size())
	}
	for y := range p.H {
		for x := range p.W {
			w := color.NRGBA64Model.Convert(want.At(x, y)).(color.NRGBA64)
			for c, v := range []uint16{w.R, w.G, w.B}[:p.Channels] {
				if got := p.sample(x, y, c); got != v {
					t.Fatalf("pixel (%d, %d) channel %d is %04x, want %04x", x, y, c, got, v)
				}
			}
		}
	}
}

func TestScannerFilesDecode(t *testing.T) {
	for _, c := range []struct {
		name, original string // original: one that the general-purpose decoder reads
		channels, bits int
		dpi            float64
	}{
		{"01-sane-gray8.tif", "01-sane-gray8.tif", 1, 8, 75},
		{"04-sane-rgb16.tif", "04-sane-rgb16.tif", 3, 16, 75},
		{"06-sane-rgb8-300dpi-grid.tif", "06-sane-rgb8-300dpi-grid.tif", 3, 8, 300},
		{"09-lzw.tif", "09-lzw.tif", 3, 8, 75},
		{"14-planar-separate.tif", "09-lzw.tif", 3, 8, 75},
		{"23-icc-srgb.tif", "23-icc-srgb.tif", 3, 8, 75},
		{"30-lzw-differences-bigendian.tif", "06-sane-rgb8-300dpi-grid.tif", 3, 8, 300},
		{"31-deflate-differences.tif", "06-sane-rgb8-300dpi-grid.tif", 3, 8, 300},
		{"32-packbits.tif", "06-sane-rgb8-300dpi-grid.tif", 3, 8, 300},
		{"33-tiles-deflate.tif", "06-sane-rgb8-300dpi-grid.tif", 3, 8, 300},
		{"34-planar-lzw-differences.tif", "06-sane-rgb8-300dpi-grid.tif", 3, 8, 300},
		{"35-rgb16-deflate-differences-bigendian.tif", "04-sane-rgb16.tif", 3, 16, 75},
		{"36-rgb16-tiles-deflate-differences.tif", "04-sane-rgb16.tif", 3, 16, 75},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, err := decodeBytes(readScan(t, c.name))
			if err != nil {
				t.Fatal(err)
			}
			if p.Channels != c.channels || p.Bits != c.bits || p.DPI != [2]float64{c.dpi, c.dpi} || p.Format != "TIFF" {
				t.Errorf("%d channels of %d bits at %v dpi (%s), want %d of %d at %g", p.Channels, p.Bits, p.DPI, p.Format, c.channels, c.bits, c.dpi)
			}
			want, err := tiff.Decode(bytes.NewReader(readScan(t, c.original)))
			if err != nil {
				t.Fatal(err)
			}
			samePixels(t, p, want)
		})
	}
	if p, _ := decodeBytes(readScan(t, "23-icc-srgb.tif")); len(p.ICC) != 2576 {
		t.Errorf("profile of %d bytes, want 2576", len(p.ICC))
	}
}

func TestPNGDecodes(t *testing.T) {
	r := image.Rect(0, 0, 70, 65)
	for _, m := range []interface {
		image.Image
		Set(x, y int, c color.Color)
	}{image.NewGray(r), image.NewGray16(r), image.NewNRGBA(r), image.NewNRGBA64(r), image.NewRGBA(r), image.NewRGBA64(r)} {
		for i := range 70 * 65 {
			m.Set(i%70, i/70, color.RGBA64{uint16(i * 13), uint16(i * 7), uint16(65535 - i), 65535})
		}
		var b bytes.Buffer
		if err := png.Encode(&b, m); err != nil {
			t.Fatal(err)
		}
		p, err := decodeBytes(b.Bytes())
		if err != nil {
			t.Errorf("%T: %v", m, err)
			continue
		}
		samePixels(t, p, m)
	}
}

// What cannot be read is refused in one sentence that names it.
func TestRefusedByName(t *testing.T) {
	tif := readScan(t, "06-sane-rgb8-300dpi-grid.tif")
	deflate := readScan(t, "31-deflate-differences.tif")
	set := func(b []byte, tag uint16, v uint32) []byte { return patchTIFF(t, b, tag, v) }
	pal := image.NewPaletted(image.Rect(0, 0, 80, 80), color.Palette{color.Black, color.White})
	var palette bytes.Buffer
	if err := png.Encode(&palette, pal); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		b    []byte
		want string
	}{
		"empty":               {nil, "only 0 bytes"},
		"text":                {[]byte("CGATS.17\nNUMBER_OF_FIELDS 3"), "neither TIFF nor PNG"},
		"jpeg":                {append([]byte{0xff, 0xd8, 0xff, 0xe0}, make([]byte, 40)...), "JPEG is not supported"},
		"pdf":                 {append([]byte("%PDF-1.7"), make([]byte, 40)...), "PDF is not supported"},
		"bigtiff":             {readScan(t, "41-refused-bigtiff.tif"), "BigTIFF is not supported"},
		"jpeg in tiff":        {readScan(t, "40-refused-jpeg.tif"), "YCbCr"},
		"compression":         {set(tif, tagCompression, 34712), "JPEG 2000"},
		"compression unknown": {set(tif, tagCompression, 999), "number 999"},
		"palette":             {set(tif, tagPhotometric, 3), "palette"},
		"cmyk":                {set(tif, tagPhotometric, 5), "CMYK"},
		"reversed bits":       {set(tif, tagFillOrder, 2), "reversed bits"},
		"huge":                {set(set(tif, tagWidth, 60000), tagLength, 60000), "limit"},
		"no width":            {set(tif, tagWidth, 0), "0 x 141"},
		"tiny":                {set(tif, tagWidth, 3), "too few"},
		"cut":                 {tif[:len(tif)/2], "cut short"},
		"cut deflate":         {set(deflate, tagLength, 900), "places"},
		"damaged deflate":     {damage(deflate), "damaged or cut short"},
		"palette png":         {palette.Bytes(), "bits per sample"},
		"cut png":             {pngOf(t)[:200], "cut short"},
		"png without end":     {pngOf(t)[:len(pngOf(t))-12], "cut short"},
	} {
		_, err := decodeBytes(c.b)
		if err == nil || !errors.Is(err, ErrPicture) || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want a picture error about %q", name, err, c.want)
		}
	}
}

func pngOf(t testing.TB) []byte {
	m := image.NewNRGBA(image.Rect(0, 0, 80, 80))
	for i := range m.Pix {
		m.Pix[i] = byte(i * i)
	}
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// patchTIFF overwrites a field's value in a copy, or a field that does not matter here if the
// tag is not there.
func patchTIFF(t testing.TB, b []byte, tag uint16, v uint32) []byte {
	b = bytes.Clone(b)
	var o binary.ByteOrder = binary.LittleEndian
	if b[0] == 'M' {
		o = binary.BigEndian
	}
	dir := o.Uint32(b[4:])
	n := int(o.Uint16(b[dir:]))
	at := -1
	for i := range n {
		e := int(dir) + 2 + 12*i
		switch o.Uint16(b[e:]) {
		case tag:
			at = e
		case tagXResolution: // sacrificed for a missing tag
			if at < 0 {
				at = e
			}
		}
	}
	if at < 0 {
		t.Fatal("no field to overwrite")
	}
	o.PutUint16(b[at:], tag)
	o.PutUint16(b[at+2:], 4)
	o.PutUint32(b[at+4:], 1)
	o.PutUint32(b[at+8:], v)
	return b
}

func damage(b []byte) []byte {
	b = bytes.Clone(b)
	for i := 20; i < 400; i++ {
		b[i] ^= 0x5a
	}
	return b
}

// Bombs: a claim of 60000 x 60000, pixels that inflate beyond measure, a file cut short. The
// memory taken is measured; the time is in the benchmark.
func TestBombsAreRefusedBeforeMemoryIsTaken(t *testing.T) {
	for name, b := range bombs(t) {
		before := allocated()
		_, err := decodeBytes(b)
		took := allocated() - before
		if !errors.Is(err, ErrPicture) {
			t.Errorf("%s: %v", name, err)
		}
		if took > 64<<20 {
			t.Errorf("%s: took %d MiB", name, took>>20)
		}
	}
}

func allocated() uint64 {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.TotalAlloc
}

func bombs(t testing.TB) map[string][]byte {
	tif := readScan(t, "06-sane-rgb8-300dpi-grid.tif")
	var zeros bytes.Buffer
	z := zlib.NewWriter(&zeros)
	for range 20 {
		if _, err := z.Write(make([]byte, 1<<20)); err != nil {
			t.Fatal(err)
		}
	}
	z.Close()
	header := func(w, h uint32) []byte {
		b := binary.BigEndian.AppendUint32(nil, w)
		b = binary.BigEndian.AppendUint32(b, h)
		return append(b, 8, 2, 0, 0, 0)
	}
	pngFile := func(w, h uint32, data []byte) []byte {
		b := []byte("\x89PNG\r\n\x1a\n")
		for _, c := range []struct {
			kind string
			body []byte
		}{{"IHDR", header(w, h)}, {"IDAT", data}, {"IEND", nil}} {
			b = binary.BigEndian.AppendUint32(b, uint32(len(c.body)))
			from := len(b)
			b = append(b, c.kind...)
			b = append(b, c.body...)
			b = binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[from:]))
		}
		return b
	}
	bomb := patchTIFF(t, readScan(t, "31-deflate-differences.tif"), tagWidth, 10000)
	bomb = patchTIFF(t, bomb, tagLength, 10000)
	cut := patchTIFF(t, patchTIFF(t, tif, tagWidth, 9000), tagLength, 9000)
	return map[string][]byte{
		"TIFF claims 60000 x 60000": patchTIFF(t, patchTIFF(t, tif, tagWidth, 60000), tagLength, 60000),
		"PNG claims 60000 x 60000":  pngFile(60000, 60000, zeros.Bytes()),
		"TIFF of deflated nothing":  bomb,
		"PNG of deflated nothing":   pngFile(10000, 10000, zeros.Bytes()),
		"TIFF cut short":            cut,
		"PNG cut short":             pngFile(8000, 8000, bytes.Repeat([]byte("noise"), 200000))[:500000],
	}
}

// A refusal costs nothing: `go test -bench Bombs` reports the slowest, which is to stay under
// 100 ms.
func BenchmarkBombs(b *testing.B) {
	all := bombs(b)
	var worst time.Duration
	for b.Loop() {
		for _, f := range all {
			t0 := time.Now()
			if _, err := decodeBytes(f); err == nil {
				b.Fatal("a bomb passed")
			}
			worst = max(worst, time.Since(t0))
		}
	}
	b.ReportMetric(float64(worst.Microseconds())/1000, "worst-ms")
}

// No bytes make the decoder panic, hang or take more than its limit.
func FuzzDecode(f *testing.F) {
	names, _ := filepath.Glob(filepath.Join(scans, "*.tif"))
	for _, n := range names {
		b, err := os.ReadFile(n)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Add(pngOf(f))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := Decode(bytes.NewReader(b), int64(len(b)), Limits{MaxBytes: 8 << 20})
		if err != nil {
			if !errors.Is(err, ErrPicture) {
				t.Fatalf("not a picture error: %v", err)
			}
			return
		}
		if len(p.Pix) < p.stride()*p.H {
			t.Fatal(fmt.Sprint("short picture ", p.W, p.H, len(p.Pix)))
		}
	})
}
