package scan

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"unicode/utf16"

	"swathkeeper/measure/colour"
)

// An Encoding says what a picture's samples mean: a tone curve for each channel to linear
// light, and a matrix from linear R, G, B to XYZ under D50.
type Encoding struct {
	// Name says where it comes from, for the reading: "sRGB assumed", or the embedded
	// profile's own name.
	Name string
	// Assumed is set when the file holds no profile that could be used.
	Assumed bool
	curves  [3]func(float64) float64
	toXYZ   colour.Matrix // of linear R, G, B in 0..1; Y of white is 100
}

// EncodingOf reads the picture's embedded matrix profile (ISO 15076-1, 8.3.3 and 8.4.3: three
// colorants and three tone curves), or a grey one's tone curve. If there is none, or one of
// another kind (tables), it gives sRGB (IEC 61966-2-1) and, in the second case, why.
func EncodingOf(p *Picture) (*Encoding, error) {
	if len(p.ICC) == 0 {
		return srgb(), nil
	}
	e, err := parseProfile(p.ICC, p.Channels)
	if err != nil {
		return srgb(), fmt.Errorf("the embedded profile is not used: %w", err)
	}
	return e, nil
}

func srgb() *Encoding {
	f := func(v float64) float64 {
		if v <= 0.04045 {
			return v / 12.92
		}
		return math.Pow((v+0.055)/1.055, 2.4)
	}
	e := &Encoding{Name: "sRGB assumed", Assumed: true, curves: [3]func(float64) float64{f, f, f}}
	for i := range 3 {
		var u [3]float64
		u[i] = 1
		c := colour.LinearRGB(u[0], u[1], u[2])
		e.toXYZ[0][i], e.toXYZ[1][i], e.toXYZ[2][i] = c.X, c.Y, c.Z
	}
	return e
}

// Lab converts linear R, G, B, 0..1, to L*a*b* under D50.
func (e *Encoding) Lab(rgb [3]float64) colour.Lab {
	return e.toXYZ.Apply(colour.XYZ{X: rgb[0], Y: rgb[1], Z: rgb[2]}).Lab(colour.D50)
}

// table gives the linear light of every sample value of one channel.
func (e *Encoding) table(channel, bits int) []float32 {
	n := 1 << bits
	t := make([]float32, n)
	for i := range t {
		t[i] = float32(e.curves[channel](float64(i) / float64(n-1)))
	}
	return t
}

// profile is an ICC profile's bytes.
type profile []byte

func parseProfile(b []byte, channels int) (*Encoding, error) {
	p := profile(b)
	if len(b) < 132 || string(b[36:40]) != "acsp" {
		return nil, fmt.Errorf("it is damaged")
	}
	space, pcs := string(b[16:20]), string(b[20:24])
	want := map[int]string{1: "GRAY", 3: "RGB "}[channels]
	if space != want {
		return nil, fmt.Errorf("it is for %s data, the picture has %d channels", strings.TrimSpace(space), channels)
	}
	e := srgb()
	e.Name, e.Assumed = p.name(), false
	if channels == 1 {
		f, err := p.curve("kTRC")
		if err != nil {
			return nil, err
		}
		e.curves = [3]func(float64) float64{f, f, f}
		return e, nil
	}
	if pcs != "XYZ " {
		return nil, fmt.Errorf("it holds tables, not three primaries; only the latter is supported")
	}
	for i, c := range []string{"r", "g", "b"} {
		f, err := p.curve(c + "TRC")
		if err != nil {
			return nil, err
		}
		e.curves[i] = f
		x, err := p.xyz(c + "XYZ")
		if err != nil {
			return nil, err
		}
		// The connection space's white is 0.9642, 1, 0.8249; readings use ISO 13655's.
		e.toXYZ[0][i] = x[0] * colour.D50.X / 0.9642
		e.toXYZ[1][i] = x[1] * colour.D50.Y
		e.toXYZ[2][i] = x[2] * colour.D50.Z / 0.8249
	}
	return e, nil
}

// tag gives a tag's data; nil if it is missing or damaged.
func (p profile) tag(name string) []byte {
	n := int(binary.BigEndian.Uint32(p[128:]))
	for i := 0; i < n && i < 200 && 132+12*(i+1) <= len(p); i++ {
		e := p[132+12*i:]
		at, size := int64(binary.BigEndian.Uint32(e[4:])), int64(binary.BigEndian.Uint32(e[8:]))
		if string(e[:4]) == name && size >= 8 && at+size <= int64(len(p)) {
			return p[at : at+size]
		}
	}
	return nil
}

func fixed(b []byte) float64 { return float64(int32(binary.BigEndian.Uint32(b))) / 65536 }

func (p profile) xyz(name string) (v [3]float64, err error) {
	b := p.tag(name)
	if len(b) < 20 || string(b[:4]) != "XYZ " {
		return v, fmt.Errorf("its %s is missing or damaged", name)
	}
	for i := range v {
		v[i] = fixed(b[8+4*i:])
	}
	return v, nil
}

// curve reads a tone curve: a table, a gamma, or one of the five formulas (ISO 15076-1, 10.6
// and 10.18).
func (p profile) curve(name string) (func(float64) float64, error) {
	b := p.tag(name)
	damaged := fmt.Errorf("its %s is missing or damaged", name)
	if len(b) < 12 {
		return nil, damaged
	}
	switch string(b[:4]) {
	case "curv":
		n := int64(binary.BigEndian.Uint32(b[8:]))
		switch {
		case n == 0:
			return func(v float64) float64 { return v }, nil
		case int64(len(b)) < 12+2*n:
			return nil, damaged
		case n == 1:
			g := float64(binary.BigEndian.Uint16(b[12:])) / 256
			return func(v float64) float64 { return math.Pow(v, g) }, nil
		}
		t := make([]float64, n)
		for i := range t {
			t[i] = float64(binary.BigEndian.Uint16(b[12+2*i:])) / 65535
		}
		return func(v float64) float64 {
			v *= float64(n - 1)
			i := min(int(v), int(n)-2)
			return t[i] + (v-float64(i))*(t[i+1]-t[i])
		}, nil
	case "para":
		kind := int(binary.BigEndian.Uint16(b[8:]))
		counts := []int{1, 3, 4, 5, 7}
		if kind >= len(counts) || len(b) < 12+4*counts[kind] {
			return nil, damaged
		}
		var q [7]float64
		for i := range counts[kind] {
			q[i] = fixed(b[12+4*i:])
		}
		return parametric(kind, q), nil
	}
	return nil, damaged
}

func parametric(kind int, q [7]float64) func(float64) float64 {
	g, a, b, c, d, e, f := q[0], q[1], q[2], q[3], q[4], q[5], q[6]
	pow := func(v float64) float64 { return math.Pow(max(0, a*v+b), g) }
	return func(v float64) float64 {
		switch kind {
		case 0:
			return math.Pow(v, g)
		case 1:
			if v >= -b/a {
				return pow(v)
			}
			return 0
		case 2:
			if v >= -b/a {
				return pow(v) + c
			}
			return c
		case 3:
			if v >= d {
				return pow(v)
			}
			return c * v
		}
		if v >= d {
			return pow(v) + e
		}
		return c*v + f
	}
}

// name is the profile's description in its first language, for people.
func (p profile) name() string {
	b := p.tag("desc")
	text := ""
	switch {
	case len(b) > 12 && string(b[:4]) == "desc":
		n := int64(binary.BigEndian.Uint32(b[8:]))
		text = string(b[12:min(int64(len(b)), 12+n)])
	case len(b) > 28 && string(b[:4]) == "mluc":
		n, at := int64(binary.BigEndian.Uint32(b[20:])), int64(binary.BigEndian.Uint32(b[24:]))
		if at+n <= int64(len(b)) {
			var u []uint16
			for i := at; i+1 < at+n; i += 2 {
				u = append(u, binary.BigEndian.Uint16(b[i:]))
			}
			text = string(utf16.Decode(u))
		}
	}
	text = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return -1
		}
		return r
	}, text)
	text = strings.TrimSpace(text)
	if text == "" {
		return "embedded profile"
	}
	if len(text) > 80 {
		text = strings.ToValidUTF8(text[:80], "")
	}
	return "embedded profile " + text
}
