package drift

import (
	"fmt"
	"math"
)

// Tolerances say how much change matters to the shop. A value beyond one of them calls for
// action when it is also significant; beyond StopFactor times it, production should hold.
//
// The defaults are the project's own, tighter than the printing industry's acceptance values
// because they measure change from the shop's own good state and not distance from a common
// aim. For comparison, from memory and to be checked against the documents: ISO 12647-7:2016
// accepts for a contract proof a substrate difference of 3.0, a mean of 2.5, a 95th
// percentile of 5.0 and a mean chroma difference of greys of 2.0. A side-by-side difference of
// about 1 dE00 is seen, 2 to 3 is rejected: common practice, no source.
type Tolerances struct {
	StrengthPercent float64 `json:"strength_percent"` // a channel's strength; default 3 %
	TonePoints      float64 `json:"tone_points"`      // a channel's 50 % tint; default 3 points
	HueDeg          float64 `json:"hue_deg"`          // a channel's solid, h_ab; default 2.5 degrees
	LoadPercent     float64 `json:"load_percent"`     // loss growing with ink load, at 200 % ink; default 3 %
	WhiteDE00       float64 `json:"white_de00"`       // paper white; default 1.0
	GreyDE00        float64 `json:"grey_de00"`        // near-neutrals, a* and b* alone; default 1.5
	MeanDE00        float64 `json:"mean_de00"`        // chart mean; default 1.0
	P95DE00         float64 `json:"p95_de00"`         // 95th percentile; default 3.0
	HouseDE00       float64 `json:"house_de00"`       // a house colour; default 2.0
	// House overrides HouseDE00 for colours by name.
	House map[string]float64 `json:"house,omitempty"`
	// StopFactor times a tolerance is its stop limit; default 2.
	StopFactor float64 `json:"stop_factor"`
}

// DefaultTolerances returns the documented defaults.
func DefaultTolerances() Tolerances {
	return Tolerances{
		StrengthPercent: 3, TonePoints: 3, HueDeg: 2.5, LoadPercent: 3,
		WhiteDE00: 1, GreyDE00: 1.5, MeanDE00: 1, P95DE00: 3, HouseDE00: 2, StopFactor: 2,
	}
}

// Options steer Learn and Judge. The zero value means the defaults.
type Options struct {
	Tolerances Tolerances `json:"tolerances"`
	// FalseAlarms is the probability with which one in-control reading is called significant,
	// all tests of this package together. Default 1/740 (half of one alarm in 370 readings) for
	// a full baseline and 1/2500 for a provisional one: what five readings cannot show of a
	// printer that wanders takes that to about 1/400 in the trials.
	FalseAlarms            float64 `json:"false_alarms"`
	FalseAlarmsProvisional float64 `json:"false_alarms_provisional"`
	// Lambda is the weight of the newest reading in the exponentially weighted means, in
	// (0, 1]; default 0.4, quick for shifts of 1.5 to 4 standard deviations.
	Lambda float64 `json:"lambda"`
	// FloorShare is the least spread that a factor is credited with, as a share of its
	// tolerance; default 1/6. A shop of ten lucky readings would else be held to them for ever.
	FloorShare float64 `json:"floor_share"`
	// MaxMissing is the share of patches that may be missing from a usable reading; default 0.1.
	MaxMissing float64 `json:"max_missing"`
}

// DefaultOptions returns the documented defaults.
func DefaultOptions() Options {
	return Options{
		Tolerances: DefaultTolerances(), FalseAlarms: 1.0 / 740, FalseAlarmsProvisional: 1.0 / 2500,
		Lambda: 0.4, FloorShare: 1.0 / 6, MaxMissing: 0.1,
	}
}

// WithDefaults fills every zero field with its default.
func (o Options) WithDefaults() Options {
	d := DefaultOptions()
	fill := func(v *float64, def float64) {
		if *v == 0 {
			*v = def
		}
	}
	t, dt := &o.Tolerances, &d.Tolerances
	fill(&t.StrengthPercent, dt.StrengthPercent)
	fill(&t.TonePoints, dt.TonePoints)
	fill(&t.HueDeg, dt.HueDeg)
	fill(&t.LoadPercent, dt.LoadPercent)
	fill(&t.WhiteDE00, dt.WhiteDE00)
	fill(&t.GreyDE00, dt.GreyDE00)
	fill(&t.MeanDE00, dt.MeanDE00)
	fill(&t.P95DE00, dt.P95DE00)
	fill(&t.HouseDE00, dt.HouseDE00)
	fill(&t.StopFactor, dt.StopFactor)
	fill(&o.FalseAlarms, d.FalseAlarms)
	fill(&o.FalseAlarmsProvisional, d.FalseAlarmsProvisional)
	fill(&o.Lambda, d.Lambda)
	fill(&o.FloorShare, d.FloorShare)
	fill(&o.MaxMissing, d.MaxMissing)
	return o
}

// leastTolerance is what a tolerance must be above, whatever its unit: no printer holds less.
const leastTolerance = 1e-3

// Validate reports the first option that is out of its range, by name.
func (o Options) Validate() error {
	check := func(name string, v, low, high float64) error {
		if math.IsNaN(v) || v <= low || v > high {
			return fmt.Errorf("%s is %g: it must be above %g and at most %g", name, v, low, high)
		}
		return nil
	}
	t := o.Tolerances
	for _, c := range []struct {
		name         string
		v, low, high float64
	}{
		{"strength_percent", t.StrengthPercent, leastTolerance, 100}, {"tone_points", t.TonePoints, leastTolerance, 100},
		{"hue_deg", t.HueDeg, leastTolerance, 180}, {"load_percent", t.LoadPercent, leastTolerance, 100},
		{"white_de00", t.WhiteDE00, leastTolerance, 100}, {"grey_de00", t.GreyDE00, leastTolerance, 100},
		{"mean_de00", t.MeanDE00, leastTolerance, 100}, {"p95_de00", t.P95DE00, leastTolerance, 100},
		{"house_de00", t.HouseDE00, leastTolerance, 100}, {"stop_factor", t.StopFactor, 1, 100},
		{"false_alarms", o.FalseAlarms, 0, 0.2}, {"false_alarms_provisional", o.FalseAlarmsProvisional, 0, 0.2},
		{"lambda", o.Lambda, 0, 1}, {"floor_share", o.FloorShare, 0, 1}, {"max_missing", o.MaxMissing, 0, 0.5},
	} {
		if err := check(c.name, c.v, c.low, c.high); err != nil {
			return err
		}
	}
	for name, v := range t.House {
		if err := check("tolerance of house colour "+name, v, leastTolerance, 100); err != nil {
			return err
		}
	}
	return nil
}
