package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"github.com/google/uuid"

	"swathkeeper/measure/madeup"
	"swathkeeper/protocol"
)

// scaleWorld is a made-up printer whose chart has as many patches and strips as asked for.
type scaleWorld struct {
	layout *protocol.Chart
	shop   *madeup.Shop
	tracer *madeup.Tracer // nil without strips
	rng    *rand.Rand
	at     time.Time
	day    int
	// spectra makes readings carry reflectances instead of CIE L*a*b*.
	spectra bool
}

// newScaleWorld makes the printer. The chart is the trials' CMYK chart, cut or filled up with mixtures;
// strips go round the inks.
func newScaleWorld(patches, strips int) (*scaleWorld, error) {
	w := &scaleWorld{rng: rand.New(rand.NewPCG(uint64(patches), uint64(strips))), at: time.Now().AddDate(0, 0, -300).UTC().Truncate(time.Second)}
	cfg := madeup.DefaultConfig()
	cfg.Chart = w.chart(patches)
	var err error
	if w.shop, err = madeup.NewShop(11, cfg); err != nil {
		return nil, err
	}
	c := cfg.Chart
	w.layout = &protocol.Chart{Schema: protocol.SchemaChart, ID: "scaling", Edition: fmt.Sprintf("p%d-s%d", patches, strips), Channels: c.Channels, Driven: protocol.DrivenInk}
	for i := range c.IDs {
		w.layout.Patches = append(w.layout.Patches, protocol.Patch{ID: c.IDs[i], Row: c.Row[i], Col: c.Col[i], Device: c.Device[i], House: c.House[i]})
	}
	if strips == 0 {
		return w, w.layout.Validate()
	}
	w.tracer = madeup.KnitTracer()
	all := w.tracer.Strips
	w.tracer.Strips = nil
	for i := range strips {
		s := all[i%len(all)]
		s.Name, s.XMM = fmt.Sprintf("%s-%d", s.Channel, i), 20+12*float64(i)
		w.tracer.Strips = append(w.tracer.Strips, s)
		w.layout.Strips = append(w.layout.Strips, protocol.Strip{ID: s.Name, Channel: s.Channel, TintPercent: s.TintPercent, XMM: s.XMM, YMM: w.tracer.StartMM, WMM: 10, HMM: 230})
	}
	g := w.tracer.Geometry()
	w.layout.StepMM, w.layout.NozzlePitchUM, w.layout.Nozzles, w.layout.Passes, w.layout.FirstNozzleMM = g.StepMM, g.NozzlePitchUM, g.Nozzles, g.Passes, g.FirstNozzleMM
	return w, w.layout.Validate()
}

func (w *scaleWorld) chart(patches int) *madeup.Chart {
	c := *madeup.CMYKChart()
	for n := len(c.IDs); n < patches; n++ {
		device := make([]float64, len(c.Channels))
		for i := range device {
			device[i] = math.Round(100 * w.rng.Float64() * w.rng.Float64()) // more light mixtures than dark ones
		}
		c.IDs, c.Device, c.House = append(c.IDs, fmt.Sprintf("mix-%d", n)), append(c.Device, device), append(c.House, "")
	}
	c.IDs, c.Device, c.House = c.IDs[:patches], c.Device[:patches], c.House[:patches]
	c.Row, c.Col = make([]int, patches), make([]int, patches)
	wide := int(math.Ceil(math.Sqrt(float64(patches))))
	for i := range patches {
		c.Row[i], c.Col[i] = i/wide+1, i%wide+1
	}
	return &c
}

// read prints and reads one chart, one hour after the last.
func (w *scaleWorld) read() (*protocol.Reading, error) {
	got, err := w.shop.Read(madeup.Occasion{Day: w.day / 8}, madeup.Faults{})
	if err != nil {
		return nil, err
	}
	w.day += 3
	w.at = w.at.Add(time.Hour)
	r := &protocol.Reading{
		Schema: protocol.SchemaReading, ID: uuid.Must(uuid.NewV7()).String(), TakenAt: w.at, Site: "quay", Printer: "heron",
		Chart: w.layout.ID, Edition: w.layout.Edition,
		Condition:  protocol.Condition{Media: "pennant-knit", Preset: "deep", Stage: protocol.StagePressed},
		Instrument: protocol.Instrument{Kind: protocol.KindSpectrophotometer, Mode: "M1"},
		Patches:    &protocol.Patches{},
	}
	if w.spectra {
		r.Patches.Spectra = &protocol.Spectra{StartNM: madeup.StartNM, StepNM: madeup.StepNM}
	}
	for i, p := range w.layout.Patches {
		r.Patches.ID = append(r.Patches.ID, p.ID)
		if w.spectra {
			values := make([]float64, len(got.Spectra[i]))
			for k, v := range got.Spectra[i] {
				values[k] = math.Round(v*1e4) / 1e4
			}
			r.Patches.Spectra.Values = append(r.Patches.Spectra.Values, values)
			continue
		}
		c := got.Lab[i]
		r.Patches.Lab = append(r.Patches.Lab, [3]float64{math.Round(c.L*1e3) / 1e3, math.Round(c.A*1e3) / 1e3, math.Round(c.B*1e3) / 1e3})
	}
	if w.tracer == nil {
		return r, nil
	}
	ts, err := w.tracer.Traces(madeup.State{}, w.rng)
	if err != nil {
		return nil, err
	}
	addTraces(r, ts)
	return r, nil
}

// good reads n charts to learn from.
func (w *scaleWorld) good(n int) ([]*protocol.Reading, error) {
	var out []*protocol.Reading
	for range n {
		r, err := w.read()
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}
