package chart

import (
	"bytes"
	"compress/zlib"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
	"golang.org/x/image/tiff"
)

func layout(t testing.TB, s Spec) *Layout {
	t.Helper()
	l, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func drawn(t testing.TB, draw func(io.Writer) error) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := draw(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

var eightInks = Spec{ID: "wide", Channels: []string{"C", "M", "Y", "K", "orange", "green", "violet", "fluo pink"}}

// The drawing operators of the PDF are those of ISO 32000-1 for device colours, one rectangle
// for each patch with the layout's very values; nothing else in the file speaks of colour.
func TestPDFHoldsTheDeviceValues(t *testing.T) {
	for _, c := range []struct {
		spec   Spec
		op     string
		scale  float64
		spaces []string
	}{
		{step(6.35), "k", 100, nil},
		{Spec{ID: "quay-rgb", Driven: DrivenRGB}, "rg", 255, nil},
		{eightInks, "scn", 100, []string{"/DeviceN [/Cyan /Magenta /Yellow /Black /orange /green /violet /fluo#20pink] /DeviceCMYK"}},
		{Spec{ID: "one", Channels: []string{"K"}}, "scn", 100, []string{"/DeviceN [/Black] /DeviceCMYK"}},
	} {
		l := layout(t, c.spec)
		b := drawn(t, func(w io.Writer) error { return WritePDF(w, l, "7") })
		if again := drawn(t, func(w io.Writer) error { return WritePDF(w, l, "7") }); !bytes.Equal(b, again) {
			t.Errorf("%s: two drawings differ", l.ID)
		}
		for _, word := range []string{"ICCBased", "OutputIntent", "CalRGB", "/Lab", "ColorTransform"} {
			if bytes.Contains(b, []byte(word)) {
				t.Errorf("%s: the file speaks of %s", l.ID, word)
			}
		}
		for _, s := range c.spaces {
			if !bytes.Contains(b, []byte(s)) {
				t.Errorf("%s: no %s", l.ID, s)
			}
		}
		got := rectangles(t, pageContent(t, b), c.op)
		for _, p := range l.Patches {
			if l.White(p) {
				continue
			}
			want := make([]string, len(p.Device))
			for i, v := range p.Device {
				want[i] = num(v / c.scale)
			}
			if col := got[fmt.Sprintf("%s %s %s %s", num(p.X), num(p.Y), num(p.W), num(p.H))]; col != strings.Join(want, " ") {
				t.Errorf("%s: patch %s is drawn as %q, want %q", l.ID, p.ID, col, want)
			}
		}
	}
}

func pageContent(t *testing.T, pdf []byte) string {
	m := regexp.MustCompile(`(?s)/FlateDecode >>\nstream\n(.*?)\nendstream`).FindSubmatch(pdf)
	if m == nil {
		t.Fatal("no content stream")
	}
	z, err := zlib.NewReader(bytes.NewReader(m[1]))
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// rectangles maps each "x y w h" to the operands of the colour operator before it.
func rectangles(t *testing.T, content, op string) map[string]string {
	out := map[string]string{}
	colour := ""
	for _, ln := range strings.Split(content, "\n") {
		if c, ok := strings.CutSuffix(ln, " "+op); ok {
			colour = c
		}
		if r, ok := strings.CutSuffix(ln, " re f"); ok {
			out[r] = colour
		}
	}
	if len(out) == 0 {
		t.Fatalf("no rectangles after operator %s", op)
	}
	return out
}

// TIFF and PNG read back by the general-purpose decoders: size, resolution, every patch's value
// in its middle, marks where the layout says.
func TestRGBRastersReadBack(t *testing.T) {
	l := layout(t, Spec{ID: "quay-rgb", Driven: DrivenRGB, Mirrored: true})
	const dpi = 150
	tb := drawn(t, func(w io.Writer) error { return WriteTIFF(w, l, "7", dpi) })
	pb := drawn(t, func(w io.Writer) error { return WritePNG(w, l, "7", dpi) })
	ti, err := tiff.Decode(bytes.NewReader(tb))
	if err != nil {
		t.Fatal(err)
	}
	pi, err := png.Decode(bytes.NewReader(pb))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(pb, []byte("pHYs\x00\x00\x17\x12\x00\x00\x17\x12\x01")) { // 5906 pixels per metre
		t.Error("no pHYs chunk of 150 dpi")
	}
	for name, img := range map[string]image.Image{"TIFF": ti, "PNG": pi} {
		if got, want := img.Bounds().Size(), image.Pt(1240, 1754); got != want {
			t.Fatalf("%s is %v pixels, want %v", name, got, want)
		}
		at := func(x, y float64) color.RGBA {
			return color.RGBAModel.Convert(img.At(int(x*dpi/25.4), int(y*dpi/25.4))).(color.RGBA)
		}
		for _, p := range l.Patches {
			want := color.RGBA{uint8(p.Device[0]), uint8(p.Device[1]), uint8(p.Device[2]), 255}
			if got := at(p.X+p.W/2, p.Y+p.H/2); got != want {
				t.Errorf("%s: patch %s is %v, want %v", name, p.ID, got, want)
			}
		}
		for _, m := range l.Marks {
			if got := at(m.X, m.Y); got != (color.RGBA{0, 0, 0, 255}) {
				t.Errorf("%s: mark at (%g, %g) is %v", name, m.X, m.Y, got)
			}
			if got := at(m.X+MarkDiameterMM, m.Y); m.X < l.SizeMM[0]/2 && m.X < 20 && got != (color.RGBA{255, 255, 255, 255}) {
				t.Errorf("%s: beside the mark at (%g, %g) is %v, not white", name, m.X, m.Y, got)
			}
		}
	}
}

// The code is read by a general-purpose reader: as printed, and flipped for a mirrored chart.
func TestCodeReadsBack(t *testing.T) {
	for _, mirrored := range []bool{false, true} {
		l := layout(t, Spec{ID: "quay-rgb", Driven: DrivenRGB, Mirrored: mirrored})
		img, err := png.Decode(bytes.NewReader(drawn(t, func(w io.Writer) error { return WritePNG(w, l, "000412", 150) })))
		if err != nil {
			t.Fatal(err)
		}
		if mirrored {
			img = flipped(img)
		}
		bmp, err := gozxing.NewBinaryBitmapFromImage(img)
		if err != nil {
			t.Fatal(err)
		}
		res, err := qrcode.NewQRCodeReader().Decode(bmp, nil)
		if err != nil {
			t.Fatal(err)
		}
		// Bottom left, top left, top right: a mirrored code would have left and right changed.
		if p := res.GetResultPoints(); p[2].GetX() <= p[1].GetX() || p[0].GetY() <= p[1].GetY() {
			t.Errorf("mirrored %v: on the goods the code is not the right way round", mirrored)
		}
		got, err := ParseTag(res.GetText())
		if want := (Tag{"quay-rgb", l.Edition, "000412"}); err != nil || got != want {
			t.Errorf("mirrored %v: %+v (%v), want %+v", mirrored, got, err, want)
		}
	}
}

func flipped(img image.Image) image.Image {
	b := img.Bounds()
	out := image.NewRGBA(b)
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			out.Set(b.Max.X-1-x, y, img.At(x, y))
		}
	}
	return out
}

// Ink TIFFs decoded by hand here from TIFF 6.0 (Separated images, section 16), since general
// decoders convert them: Deflate strips in the file's order hold the values.
func TestInkTIFFHoldsTheDeviceValues(t *testing.T) {
	for _, s := range []Spec{step(6.35), eightInks} {
		l := layout(t, s)
		const dpi = 100
		b := drawn(t, func(w io.Writer) error { return WriteTIFF(w, l, "", dpi) })
		n := len(l.Channels)
		dir := directory(t, b)
		w, h := dir[256][0], dir[257][0]
		if want := [2]int{827, 1169}; w != want[0] || h != want[1] {
			t.Fatalf("%d x %d pixels, want %v", w, h, want)
		}
		if dir[262][0] != 5 || dir[277][0] != n || len(dir[258]) != n || dir[284][0] != 1 {
			t.Errorf("photometric %v, samples %v, bits %v, planar %v", dir[262], dir[277], dir[258], dir[284])
		}
		wantSet := 1
		if n != 4 {
			wantSet = 2
			if !bytes.Contains(b, []byte("Cyan\x00Magenta\x00Yellow\x00Black\x00orange\x00green\x00violet\x00fluo pink\x00")) {
				t.Error("no ink names")
			}
		}
		if dir[332][0] != wantSet {
			t.Errorf("ink set %v, want %d", dir[332], wantSet)
		}
		var pix []byte
		for i, o := range dir[273] {
			z, err := zlib.NewReader(bytes.NewReader(b[o : o+dir[279][i]]))
			if err != nil {
				t.Fatal(err)
			}
			p, err := io.ReadAll(z)
			if err != nil {
				t.Fatal(err)
			}
			pix = append(pix, p...)
		}
		if len(pix) != w*h*n {
			t.Fatalf("%d bytes, want %d", len(pix), w*h*n)
		}
		for _, p := range l.Patches {
			x, y := int((p.X+p.W/2)*dpi/25.4), int((p.Y+p.H/2)*dpi/25.4)
			got := pix[(y*w+x)*n:][:n]
			for i, v := range p.Device {
				if got[i] != byte(math.Round(v*255/100)) {
					t.Errorf("patch %s: %v, want %v percent", p.ID, got, p.Device)
					break
				}
			}
		}
	}
}

// directory reads a little-endian TIFF's first directory as numbers.
func directory(t *testing.T, b []byte) map[int][]int {
	u := func(at, n int) int {
		v := 0
		for i := range n {
			v |= int(b[at+i]) << (8 * i)
		}
		return v
	}
	if string(b[:4]) != "II*\x00" {
		t.Fatalf("begins %q", b[:4])
	}
	out := map[int][]int{}
	at := u(4, 4)
	for i := range u(at, 2) {
		e := at + 2 + 12*i
		size := map[int]int{3: 2, 4: 4}[u(e+2, 2)]
		if size == 0 {
			continue
		}
		n, from := u(e+4, 4), e+8
		if n*size > 4 {
			from = u(e+8, 4)
		}
		for k := range n {
			out[u(e, 2)] = append(out[u(e, 2)], u(from+k*size, size))
		}
	}
	return out
}

// A whole renderer of another maker, when it is installed: sizes, and the patches' colours.
func TestPDFRenders(t *testing.T) {
	tool, err := exec.LookPath("pdftoppm")
	if err != nil {
		t.Skip("pdftoppm is not installed")
	}
	l := layout(t, Spec{ID: "quay-rgb", Driven: DrivenRGB})
	dir := t.TempDir()
	in := filepath.Join(dir, "c.pdf")
	b := drawn(t, func(w io.Writer) error { return WritePDF(w, l, "1", "2", "3") })
	if err := os.WriteFile(in, b, 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(tool, "-r", "100", "-png", in, filepath.Join(dir, "p")).CombinedOutput(); err != nil || len(out) > 0 {
		t.Fatalf("%v: %s", err, out)
	}
	pages, _ := filepath.Glob(filepath.Join(dir, "p*.png"))
	if len(pages) != 3 {
		t.Fatalf("%d pages, want 3", len(pages))
	}
	f, err := os.Open(pages[2])
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range l.Patches {
		got := color.RGBAModel.Convert(img.At(int((p.X+p.W/2)*100/25.4), int((p.Y+p.H/2)*100/25.4))).(color.RGBA)
		for i, v := range []uint8{got.R, got.G, got.B} {
			if math.Abs(float64(v)-p.Device[i]) > 1 {
				t.Fatalf("patch %s is %v, want %v", p.ID, got, p.Device)
			}
		}
	}
}

func TestTagsRoundTripAndRefuse(t *testing.T) {
	for _, tag := range []Tag{{"pennant-cmyk", "a1b2c3d4", "000412"}, {"x", "0", ""}, {strings.Repeat("a", 63), strings.Repeat("9", 63), "A1B2C3D4E5F6G7H8"}} {
		got, err := ParseTag(tag.String())
		if err != nil || got != tag {
			t.Errorf("%v became %v (%v)", tag, got, err)
		}
		if _, err := tag.runs(); err != nil {
			t.Errorf("%v: %v", tag, err)
		}
	}
	for _, s := range []string{"", "https://example.org", "SWK1:A:B", "SWK1:A.B:C:1", "SWK2:A:B:1", "SWK1:A:B:" + strings.Repeat("1", 17), "SWK1:A:B:é"} {
		if got, err := ParseTag(s); err == nil {
			t.Errorf("%q passed as %v", s, got)
		}
	}
}

func TestDrawingRefusesWhatItCannotDraw(t *testing.T) {
	ink := layout(t, step(6.35))
	bare := &Layout{ID: "bare", Edition: "1", Channels: []string{"K"}, Driven: DrivenInk, Patches: []Patch{{ID: "1", Device: []float64{5}}}}
	for name, err := range map[string]error{
		"ink values as PNG":  WritePNG(io.Discard, ink, "", 300),
		"no geometry":        WritePDF(io.Discard, bare),
		"a number too long":  WritePDF(io.Discard, ink, strings.Repeat("1", 40)),
		"a number in words":  WriteTIFF(io.Discard, ink, "no 12", 300),
		"too few dpi":        WriteTIFF(io.Discard, ink, "", 10),
		"not a number dpi":   WriteTIFF(io.Discard, ink, "", math.NaN()),
		"an invalid layout":  WritePDF(io.Discard, &Layout{}),
		"a failing writer":   WritePDF(failing{}, ink),
		"a failing writer 2": WriteTIFF(failing{}, ink, "", 72),
	} {
		if err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, io.ErrShortWrite }

func TestValidateNamesTheField(t *testing.T) {
	for _, c := range []struct {
		field  string
		change func(*Layout)
	}{
		{"id", func(l *Layout) { l.ID = "a.b" }},
		{"edition", func(l *Layout) { l.Edition = "a.b" }},
		{"driven", func(l *Layout) { l.Driven = "" }},
		{"channels[1]", func(l *Layout) { l.Channels[1] = "C" }},
		{"patches", func(l *Layout) { l.Patches, l.Strips = nil, nil }},
		{"patches[3].id", func(l *Layout) { l.Patches[3].ID = l.Patches[0].ID }},
		{"patches[3].device", func(l *Layout) { l.Patches[3].Device = l.Patches[3].Device[:3] }},
		{"patches[3].device", func(l *Layout) { l.Patches[3].Device[0] = 101 }},
		{"patches[3].device", func(l *Layout) { l.Patches[3].Device[0] = math.NaN() }},
		{"patches[3].w_mm", func(l *Layout) { l.Patches[3].W = 0 }},
		{"patches[3].x_mm", func(l *Layout) { l.Patches[3].X = 209 }},
		{"patches[3].row", func(l *Layout) { l.Patches[3].Row = -1 }},
		{"strips[1].channel", func(l *Layout) { l.Strips[1].Channel = "Z" }},
		{"strips[1].tint_percent", func(l *Layout) { l.Strips[1].Tint = math.Inf(1) }},
		{"size_mm", func(l *Layout) { l.SizeMM = [2]float64{} }},
		{"size_mm[1]", func(l *Layout) { l.SizeMM[1] = math.NaN() }},
		{"feed_axis", func(l *Layout) { l.FeedAxis = "z" }},
		{"marks", func(l *Layout) { l.Marks = l.Marks[:2] }},
		{"marks", func(l *Layout) { l.Marks = slices.DeleteFunc(l.Marks, func(m Mark) bool { return m.Y > 20 }) }},
		{"marks[1]", func(l *Layout) { l.Marks[1] = l.Marks[0] }},
		{"marks[0]", func(l *Layout) { l.Marks[0].X = -4 }},
		{"first_nozzle_mm", func(l *Layout) { v := math.NaN(); l.FirstNozzleMM = &v }},
		{"step_mm", func(l *Layout) { l.StepMM = -3 }},
		{"code.x_mm", func(l *Layout) { l.Code.X = 5000 }},
	} {
		l := layout(t, step(6.35))
		c.change(l)
		err := l.Validate()
		fe, ok := err.(*FieldError)
		if !ok || fe.Field != c.field {
			t.Errorf("%v, want an error about %s", err, c.field)
		}
	}
	// Overlap is reported against one of the two.
	l := layout(t, step(6.35))
	l.Patches[3].X = l.Patches[4].X
	l.Patches[3].Y = l.Patches[4].Y
	if err := l.Validate(); err == nil || !strings.Contains(err.Error(), "overlaps") {
		t.Errorf("%v, want an overlap", err)
	}
}
