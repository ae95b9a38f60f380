package madeup

import (
	"fmt"
	"math"
	"math/rand/v2"

	"swathkeeper/measure/banding"
)

// Strip is one uniform strip of one ink on a made-up chart.
type Strip struct {
	Name, Channel string
	TintPercent   float64
	XMM           float64 // centre of the strip across the feed
	Level         float64 // what the trace reads on average, in its unit
	Paper         float64 // what the bare material reads
	// Removal is by how much the reading changes where all ink of the strip is missing: negative for a
	// density, positive for a lightness.
	Removal float64
	// Texture multiplies the fabric's texture under this strip; 0 = none.
	Texture float64
}

// TraceNoise is what disturbs a trace besides the fabric, in the trace's unit.
type TraceNoise struct {
	White    float64 // standard deviation of independent sample noise
	Mottle   float64 // standard deviation of noise correlated over MottleMM
	MottleMM float64
	Trend    float64 // peak-to-peak size of the slow trend along the strip
	// TailDF makes the sample noise Student's t with so many degrees of freedom, scaled to the same
	// standard deviation; 0 = normal. At least 3.
	TailDF float64
}

// Tracer draws the traces of readings of one made-up printer, chart and scanner.
type Tracer struct {
	Head         Head
	Strips       []Strip
	Unit         string
	StartMM      float64
	PitchUM      float64
	Samples      int
	StripWidthMM float64
	// BlurMM is the standard deviation of everything that spreads a line: transfer, fabric, scanner.
	BlurMM float64
	Noise  TraceNoise
	Knit   Knit
}

// State is what is wrong with the printer when a chart is printed.
type State struct {
	Faults []Fault
	Feed   Feed
	// Peaks adds lines by their peak instead of by a nozzle, for trials against contrast.
	Peaks []Peak
}

// Peak is a line of given peak in the trace's unit and in the sense of its sign.
type Peak struct {
	Channel  string // empty: all inks
	Strip    string // empty: all strips of the channel
	AtMM     float64
	PeriodMM float64 // 0: a single line
	Peak     float64
	BlurMM   float64 // 0: the tracer's
}

// KnitTracer is the made-up printer of the trials: four inks, two strips each, one step in 75 samples,
// read at 300 dpi as CIE L*, with a noise of 0.30 L* rms, partly correlated over
// half a millimetre, and a slow trend of 1 L*.
func KnitTracer() *Tracer {
	t := &Tracer{
		Head: Head{NozzlePitchUM: 25400.0 / 360, Nozzles: 360, Passes: 4, FirstNozzleMM: 18},
		Unit: banding.Lightness, StartMM: 18, PitchUM: 25400.0 / 300, Samples: 2700, StripWidthMM: 10, BlurMM: 0.2,
		Noise: TraceNoise{White: 0.25, Mottle: 0.166, MottleMM: 0.5, Trend: 1},
	}
	levels := map[string]float64{"C": 68, "M": 64, "Y": 90, "K": 60}
	for i, side := range []string{"left", "right"} {
		for j, c := range []string{"C", "M", "Y", "K"} {
			t.Strips = append(t.Strips, Strip{
				Name: c + "-" + side, Channel: c, TintPercent: 50, XMM: 20 + float64(i*90+j*15),
				Level: levels[c], Paper: 93, Removal: 25, Texture: 1,
			})
		}
	}
	return t
}

// Geometry is the head and feed of the tracer as a chart layout gives them.
func (t *Tracer) Geometry() banding.Geometry {
	first := t.Head.FirstNozzleMM
	g := banding.Geometry{
		StepMM: t.Head.StepMM(), NozzlePitchUM: t.Head.NozzlePitchUM, Nozzles: t.Head.Nozzles,
		Passes: t.Head.Passes, FirstNozzleMM: &first,
	}
	seen := map[string]bool{}
	for _, s := range t.Strips {
		if !seen[s.Channel] {
			seen[s.Channel] = true
			g.Channels = append(g.Channels, s.Channel)
		}
	}
	return g
}

// Traces draws one reading.
func (t *Tracer) Traces(st State, rng *rand.Rand) ([]banding.Trace, error) {
	if err := t.Head.check(); err != nil {
		return nil, err
	}
	if !(t.PitchUM > 0) || t.Samples < 1 {
		return nil, fmt.Errorf("tracer: pitch %v um, %d samples: both must be positive", t.PitchUM, t.Samples)
	}
	pitch := t.PitchUM / 1000
	end := t.StartMM + pitch*float64(t.Samples-1)
	cloth := t.Knit.weave(t.Samples, pitch, t.StripWidthMM, rng)
	out := make([]banding.Trace, 0, len(t.Strips))
	for _, s := range t.Strips {
		v := make([]float64, t.Samples)
		t.noise(v, s.Level, rng)
		cloth.add(v, s.XMM, s.Texture)
		for _, d := range t.Head.dashes(s.Channel, st.Faults, st.Feed, t.StartMM-2, end+2) {
			t.line(v, d.y, -d.area*s.Removal/(math.Sqrt(2*math.Pi)*t.BlurMM), t.BlurMM)
		}
		for _, p := range st.Peaks {
			if (p.Channel != "" && p.Channel != s.Channel) || (p.Strip != "" && p.Strip != s.Name) {
				continue
			}
			blur := p.BlurMM
			if blur == 0 {
				blur = t.BlurMM
			}
			if p.PeriodMM <= 0 {
				t.line(v, p.AtMM, p.Peak, blur)
				continue
			}
			first := p.AtMM - math.Ceil((p.AtMM-t.StartMM)/p.PeriodMM+1)*p.PeriodMM
			for y := first; y <= end+1; y += p.PeriodMM {
				t.line(v, y, p.Peak, blur)
			}
		}
		out = append(out, banding.Trace{
			Strip: s.Name, Channel: s.Channel, TintPercent: s.TintPercent, StartMM: t.StartMM, PitchUM: t.PitchUM,
			Unit: t.Unit, Paper: s.Paper, Values: v,
		})
	}
	return out, nil
}

// line adds a blurred line of the given peak at y mm.
func (t *Tracer) line(v []float64, y, peak, blur float64) {
	pitch := t.PitchUM / 1000
	c := (y - t.StartMM) / pitch
	r := 5 * blur / pitch
	for i := max(0, int(math.Ceil(c-r))); i < len(v) && float64(i) <= c+r; i++ {
		u := (float64(i) - c) * pitch / blur
		v[i] += peak * math.Exp(-u*u/2)
	}
}

func (t *Tracer) noise(v []float64, level float64, rng *rand.Rand) {
	n := t.Noise
	pitch := t.PitchUM / 1000
	decay, push := 0.0, 0.0
	if n.Mottle > 0 && n.MottleMM > 0 {
		decay = math.Exp(-pitch / n.MottleMM)
		push = n.Mottle * math.Sqrt(1-decay*decay)
	}
	m := n.Mottle * rng.NormFloat64()
	length := pitch * float64(len(v))
	var amp, phase [2]float64
	for k := range amp {
		amp[k] = n.Trend / 4 * (0.5 + rng.Float64())
		phase[k] = 2 * math.Pi * rng.Float64()
	}
	for i := range v {
		y := float64(i) * pitch
		x := level + m
		if n.Trend > 0 {
			x += amp[0]*math.Cos(math.Pi*y/length+phase[0]) + amp[1]*math.Cos(3*math.Pi*y/length+phase[1])
		}
		if n.White > 0 {
			x += n.White * t.sample(rng)
		}
		v[i] = x
		m = decay*m + push*rng.NormFloat64()
	}
}

// sample draws unit noise: normal, or Student's t scaled to unit variance.
func (t *Tracer) sample(rng *rand.Rand) float64 {
	df := t.Noise.TailDF
	if df < 3 {
		return rng.NormFloat64()
	}
	chi := 0.0
	for range int(df) {
		z := rng.NormFloat64()
		chi += z * z
	}
	return rng.NormFloat64() / math.Sqrt(chi/df) * math.Sqrt((df-2)/df)
}
