package madeup

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"github.com/klauspost/compress/zlib"
	"swathkeeper/measure/chart"
)

// bed is the geometry of goods on a flatbed: from picture pixels back to the sheet.
type bed struct {
	f          Flatbed
	perMM      float64
	w, h       int     // of the picture
	cx, cy     float64 // picture centre, mm
	gw, gh     float64 // goods as stretched, mm
	cos, sin   float64
	sheetWidth float64
}

func (f Flatbed) bed(l *chart.Layout) *bed {
	b := &bed{f: f, perMM: f.DPI / 25.4, sheetWidth: l.SizeMM[0]}
	b.gw, b.gh = l.SizeMM[0]*(1+f.Stretch[0]/100), l.SizeMM[1]*(1+f.Stretch[1]/100)
	a := f.TurnDegrees*math.Pi/180 + float64(f.Quarters)*math.Pi/2
	b.cos, b.sin = math.Cos(a), math.Sin(a)
	pw := math.Abs(b.gw*b.cos) + math.Abs(b.gh*b.sin) + 2*borderMM
	ph := math.Abs(b.gw*b.sin) + math.Abs(b.gh*b.cos) + 2*borderMM
	b.w, b.h = int(math.Ceil(pw*b.perMM)), int(math.Ceil(ph*b.perMM))
	b.cx, b.cy = pw/2, ph/2
	return b
}

// sheet gives the place on the sheet, in mm, that a picture pixel's centre shows.
func (b *bed) sheet(px, py int) (x, y float64) {
	dx, dy := (float64(px)+0.5)/b.perMM-b.cx, (float64(py)+0.5)/b.perMM-b.cy
	gx, gy := b.cos*dx+b.sin*dy+b.gw/2, -b.sin*dx+b.cos*dy+b.gh/2
	if b.f.Flip {
		gx = b.gw - gx
	}
	// Waves: each place is displaced along both axes by a little that changes slowly.
	const k = 2 * math.Pi / 160
	wx := b.f.WaveMM * math.Sin(k*gy+0.7)
	wy := b.f.WaveMM * math.Sin(k*gy+k*0.4*gx)
	return gx/(1+b.f.Stretch[0]/100) + wx, gy/(1+b.f.Stretch[1]/100) + wy
}

// Encoded is the scanner's tone curve, that of sRGB (IEC 61966-2-1), on 0..1.
func Encoded(v float64) float64 {
	switch {
	case v <= 0:
		return 0
	case v <= 0.0031308:
		return 12.92 * v
	case v >= 1:
		return 1
	}
	return 1.055*math.Pow(v, 1/2.4) - 0.055
}

// tone is Encoded by table: pictures have millions of samples.
var tone = func() (t [8193]float64) {
	for i := range t {
		t[i] = Encoded(float64(i) / float64(len(t)-1))
	}
	return t
}()

func toned(v float64) float64 {
	v = min(1, max(0, v)) * float64(len(tone)-1)
	i := min(int(v), len(tone)-2)
	return tone[i] + (v-float64(i))*(tone[i+1]-tone[i])
}

// Scan lays the goods on the scanner and scans them.
func (ink *Printed) Scan(f Flatbed) (*Picture, error) {
	if f.DPI < 72 || f.Bits != 8 && f.Bits != 16 {
		return nil, fmt.Errorf("a made-up scan has 8 or 16 bits and 72 dpi or more, not %d and %g", f.Bits, f.DPI)
	}
	b := f.bed(ink.l)
	p := &Picture{W: b.w, H: b.h, Channels: 3, Bits: f.Bits, DPI: f.DPI}
	if f.Grey {
		p.Channels = 1
	}
	sb := f.Bits / 8
	p.Pix = make([]byte, p.W*p.H*p.Channels*sb)
	rng := rand.New(rand.NewPCG(f.Seed, 1009))
	full := float64(int(1)<<f.Bits - 1)
	dust := f.specks(b, rng)
	for y := range p.H {
		lamp := 1 + f.LampPercent/100*(0.5-float64(y)/float64(p.H))
		hit := dust.row(y)
		for x := range p.W {
			sx, sy := b.sheet(x, y)
			rgb, ok := ink.at(sx, sy)
			if !ok {
				rgb = [3]float64{0.93, 0.93, 0.93} // the lid
			}
			k := lamp * hit.at(x)
			if f.Knit > 0 && ok {
				k *= 1 + f.Knit*weave(float64(x)/b.perMM, float64(y)/b.perMM)
			}
			at := (y*p.W + x) * p.Channels * sb
			for c := range p.Channels {
				v := rgb[c]
				if f.Grey {
					v = rgb[1]
				}
				v = toned(v * k)
				if f.Noise > 0 {
					v += f.Noise * rng.NormFloat64()
				}
				q := int(math.Round(min(1, max(0, v)) * full))
				if sb == 1 {
					p.Pix[at+c] = byte(q)
				} else {
					binary.BigEndian.PutUint16(p.Pix[at+2*c:], uint16(q))
				}
			}
		}
	}
	return p, nil
}

// weave is a knit of unit rms at a place on the bed, in mm: courses of 0.9 mm and wales of
// 0.7 mm, lying 3 degrees askew to the scanner.
func weave(x, y float64) float64 {
	const c, s = 0.99863, 0.05234
	u, v := c*x+s*y, -s*x+c*y
	a, b := 2*math.Pi*v/0.9, 2*math.Pi*u/0.7
	// rms of the sum: sqrt((1 + 0.25 + 0.49) / 2)
	return (math.Sin(a) + 0.5*math.Sin(2*a+1) + 0.7*math.Sin(b)) / 0.9327
}

// specks are dust and hairs on the glass: dark line segments 0.15 mm wide.
type specks struct {
	segs  [][4]float64 // in pixels
	width float64
	w     int
}

func (f Flatbed) specks(b *bed, rng *rand.Rand) *specks {
	s := &specks{width: 0.15 * b.perMM, w: b.w}
	for range f.Dust {
		x, y := rng.Float64()*float64(b.w), rng.Float64()*float64(b.h)
		l, a := rng.ExpFloat64()*1.5*b.perMM, rng.Float64()*2*math.Pi
		s.segs = append(s.segs, [4]float64{x, y, x + l*math.Cos(a), y + l*math.Sin(a)})
	}
	slices.SortFunc(s.segs, func(p, q [4]float64) int { return int(min(p[1], p[3]) - min(q[1], q[3])) })
	return s
}

// speckRow holds the dark spans of one row.
type speckRow [][2]float64

func (s *specks) row(y int) speckRow {
	var out speckRow
	v := float64(y) + 0.5
	for _, g := range s.segs {
		lo, hi := min(g[1], g[3])-s.width/2, max(g[1], g[3])+s.width/2
		if lo > v {
			break
		}
		if v > hi {
			continue
		}
		t := 0.5
		if d := g[3] - g[1]; math.Abs(d) > 1e-9 {
			t = min(1, max(0, (v-g[1])/d))
		}
		x, half := g[0]+t*(g[2]-g[0]), s.width/2
		if math.Abs(g[3]-g[1]) < s.width { // lying flat
			x, half = (g[0]+g[2])/2, math.Abs(g[2]-g[0])/2+s.width/2
		}
		out = append(out, [2]float64{x - half, x + half})
	}
	return out
}

func (r speckRow) at(x int) float64 {
	for _, s := range r {
		if v := float64(x) + 0.5; v >= s[0] && v <= s[1] {
			return 0.35
		}
	}
	return 1
}

// TIFF writes the picture as a scanner program would: chunky strips of 64 rows, little-endian,
// with its resolution; deflated if asked, with an ICC profile if given.
func (p *Picture) TIFF(deflate bool, icc []byte) ([]byte, error) {
	le := binary.LittleEndian
	rowBytes := p.W * p.Channels * p.Bits / 8
	out := []byte("II*\x00\x00\x00\x00\x00")
	var offsets, counts []uint32
	for y := 0; y < p.H; y += 64 {
		strip := p.Pix[y*rowBytes : min(y+64, p.H)*rowBytes]
		if p.Bits == 16 {
			strip = slices.Clone(strip)
			for i := 0; i+1 < len(strip); i += 2 {
				strip[i], strip[i+1] = strip[i+1], strip[i]
			}
		}
		if deflate {
			var z bytes.Buffer
			w, err := zlib.NewWriterLevel(&z, 3)
			if err != nil {
				return nil, err
			}
			if _, err := w.Write(strip); err != nil {
				return nil, err
			}
			if err := w.Close(); err != nil {
				return nil, err
			}
			strip = z.Bytes()
		}
		offsets, counts = append(offsets, uint32(len(out))), append(counts, uint32(len(strip)))
		out = append(out, strip...)
	}
	type field struct {
		tag, kind uint16
		count     int
		data      []byte
	}
	short := func(tag uint16, v ...int) field {
		var d []byte
		for _, x := range v {
			d = le.AppendUint16(d, uint16(x))
		}
		return field{tag, 3, len(v), d}
	}
	long := func(tag uint16, v ...uint32) field {
		var d []byte
		for _, x := range v {
			d = le.AppendUint32(d, x)
		}
		return field{tag, 4, len(v), d}
	}
	res := field{282, 5, 1, le.AppendUint32(le.AppendUint32(nil, uint32(p.DPI*100)), 100)}
	res2 := res
	res2.tag = 283
	compression, photometric := 1, 1
	if deflate {
		compression = 8
	}
	if p.Channels == 3 {
		photometric = 2
	}
	bits := make([]int, p.Channels)
	for i := range bits {
		bits[i] = p.Bits
	}
	fields := []field{long(256, uint32(p.W)), long(257, uint32(p.H)), short(258, bits...), short(259, compression),
		short(262, photometric), long(273, offsets...), short(277, p.Channels), long(278, 64), long(279, counts...),
		res, res2, short(284, 1), short(296, 2)}
	if icc != nil {
		fields = append(fields, field{34675, 7, len(icc), icc})
	}
	if len(out)%2 == 1 {
		out = append(out, 0)
	}
	at := make([]uint32, len(fields))
	for i, f := range fields {
		if len(f.data) > 4 {
			at[i] = uint32(len(out))
			out = append(out, f.data...)
			if len(out)%2 == 1 {
				out = append(out, 0)
			}
		}
	}
	le.PutUint32(out[4:], uint32(len(out)))
	out = le.AppendUint16(out, uint16(len(fields)))
	for i, f := range fields {
		out = le.AppendUint16(out, f.tag)
		out = le.AppendUint16(out, f.kind)
		out = le.AppendUint32(out, uint32(f.count))
		if len(f.data) > 4 {
			out = le.AppendUint32(out, at[i])
		} else {
			out = append(out, append(slices.Clone(f.data), 0, 0, 0, 0)[:4]...)
		}
	}
	return append(out, 0, 0, 0, 0), nil
}
