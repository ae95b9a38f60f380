package chart

import (
	"bytes"
	"compress/zlib"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
)

// WritePDF draws a page for each print number (one without a number if there are none), at
// true size. Colours are device values: DeviceCMYK for inks C, M, Y, K, DeviceRGB for an
// RGB-driven chart, else DeviceN with the inks' names (ISO 32000-1, 8.6.4 and 8.6.6.5). There
// is no profile and no output intent in the file, so that nothing on the way has a reason to
// convert them. The same layout and numbers give the same bytes.
func WritePDF(w io.Writer, l *Layout, numbers ...string) error {
	if len(numbers) == 0 {
		numbers = []string{""}
	}
	p := &pdf{l: l}
	p.reserve(2) // catalogue and page tree
	space := p.colourSpace()
	var kids []string
	for _, n := range numbers {
		s, err := newScene(l, n)
		if err != nil {
			return err
		}
		content, err := p.stream(p.content(s))
		if err != nil {
			return err
		}
		page := p.object(fmt.Sprintf("<< /Type /Page /Parent 2 0 R /MediaBox [0 0 %s %s] /Resources << %s >> /Contents %d 0 R >>",
			num(l.SizeMM[0]*ptPerMM), num(l.SizeMM[1]*ptPerMM), space, content))
		kids = append(kids, fmt.Sprintf("%d 0 R", page))
	}
	// A viewer that honours it offers no scaling to the paper (ISO 32000-1, 12.2).
	p.set(1, "<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>")
	p.set(2, fmt.Sprintf("<< /Type /Pages /Count %d /Kids [%s] >>", len(kids), strings.Join(kids, " ")))
	info := p.object(fmt.Sprintf("<< /Title (%s %s) >>", l.ID, l.Edition))
	return p.write(w, info)
}

const ptPerMM = 72 / 25.4

// pdf collects numbered objects; object 1 is the first.
type pdf struct {
	l       *Layout
	objects []string
	cmyk    bool
}

func (p *pdf) reserve(n int) { p.objects = append(p.objects, make([]string, n)...) }

func (p *pdf) set(i int, body string) { p.objects[i-1] = body }

func (p *pdf) object(body string) int {
	p.objects = append(p.objects, body)
	return len(p.objects)
}

func (p *pdf) stream(content []byte) (int, error) {
	var b bytes.Buffer
	z := zlib.NewWriter(&b)
	if _, err := z.Write(content); err != nil {
		return 0, err
	}
	if err := z.Close(); err != nil {
		return 0, err
	}
	return p.object(fmt.Sprintf("<< /Length %d /Filter /FlateDecode >>\nstream\n%s\nendstream", b.Len(), b.String())), nil
}

// colourSpace gives the page's resources; only named inks need one.
func (p *pdf) colourSpace() string {
	l := p.l
	p.cmyk = l.Driven == DrivenInk && slices.Equal(l.Channels, []string{"C", "M", "Y", "K"})
	if l.Driven == DrivenRGB || p.cmyk {
		return ""
	}
	names := make([]string, len(l.Channels))
	for i, c := range l.Channels {
		names[i] = "/" + pdfName(inkName(c))
	}
	body := tintTransform(l.Channels)
	domain := strings.Repeat("0 1 ", len(names))
	fn := p.object(fmt.Sprintf("<< /FunctionType 4 /Domain [%s] /Range [0 1 0 1 0 1 0 1] /Length %d >>\nstream\n%s\nendstream",
		strings.TrimSpace(domain), len(body), body))
	cs := p.object(fmt.Sprintf("[/DeviceN [%s] /DeviceCMYK %d 0 R]", strings.Join(names, " "), fn))
	return fmt.Sprintf("/ColorSpace << /Inks %d 0 R >>", cs)
}

// content writes the drawing operators of one page.
func (p *pdf) content(s *scene) []byte {
	var b bytes.Buffer
	// From mm with y down to points with y up.
	fmt.Fprintf(&b, "%s 0 0 %s 0 %s cm\n", num(ptPerMM), num(-ptPerMM), num(s.l.SizeMM[1]*ptPerMM))
	if p.l.Driven == DrivenInk && !p.cmyk {
		b.WriteString("/Inks cs\n")
	}
	var last []float64
	for _, sh := range s.shapes {
		if !slices.Equal(last, sh.device) {
			p.setColour(&b, sh.device)
			last = sh.device
		}
		if sh.path == nil {
			fmt.Fprintf(&b, "%s %s %s %s re f\n", num(sh.rect.x), num(sh.rect.y), num(sh.rect.w), num(sh.rect.h))
			continue
		}
		for _, c := range sh.path {
			fmt.Fprintf(&b, "%s %s m\n", num(c.start.x), num(c.start.y))
			for _, g := range c.segs {
				if g.line {
					fmt.Fprintf(&b, "%s %s l\n", num(g.pts[0].x), num(g.pts[0].y))
					continue
				}
				fmt.Fprintf(&b, "%s %s %s %s %s %s c\n", num(g.pts[0].x), num(g.pts[0].y),
					num(g.pts[1].x), num(g.pts[1].y), num(g.pts[2].x), num(g.pts[2].y))
			}
			b.WriteString("h\n")
		}
		b.WriteString("f\n")
	}
	return b.Bytes()
}

func (p *pdf) setColour(b *bytes.Buffer, device []float64) {
	scale, op := 100.0, "scn"
	switch {
	case p.l.Driven == DrivenRGB:
		scale, op = 255, "rg"
	case p.cmyk:
		op = "k"
	}
	for _, v := range device {
		b.WriteString(num(v/scale) + " ")
	}
	b.WriteString(op + "\n")
}

func (p *pdf) write(w io.Writer, info int) error {
	var b bytes.Buffer
	b.WriteString("%PDF-1.6\n%\xe2\xe3\xcf\xd3\n")
	at := make([]int, len(p.objects))
	for i, o := range p.objects {
		at[i] = b.Len()
		fmt.Fprintf(&b, "%d 0 obj\n%s\nendobj\n", i+1, o)
	}
	xref := b.Len()
	fmt.Fprintf(&b, "xref\n0 %d\n0000000000 65535 f \n", len(p.objects)+1)
	for _, a := range at {
		fmt.Fprintf(&b, "%010d 00000 n \n", a)
	}
	fmt.Fprintf(&b, "trailer\n<< /Size %d /Root 1 0 R /Info %d 0 R >>\nstartxref\n%d\n%%%%EOF\n", len(p.objects)+1, info, xref)
	_, err := w.Write(b.Bytes())
	return err
}

// num writes a number with at most five decimals.
func num(v float64) string {
	s := strconv.FormatFloat(v, 'f', 5, 64)
	s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	if s == "-0" {
		return "0"
	}
	return s
}

// pdfName escapes what a PDF name may not hold as it is.
func pdfName(s string) string {
	var b strings.Builder
	for _, c := range []byte(s) {
		if c > ' ' && c < 0x7f && !strings.ContainsRune("#()<>[]{}/%", rune(c)) {
			b.WriteByte(c)
		} else {
			fmt.Fprintf(&b, "#%02X", c)
		}
	}
	return b.String()
}
