package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"strings"
	"time"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// soakResult is what a soak measured, of a worker in a process of its own.
type soakResult struct {
	Plan     soakPlan `json:"plan"`
	CutShort string   `json:"cut_short,omitempty"` // why; empty: it went to its end
	Minutes  float64  `json:"minutes"`
	Rate     float64  `json:"rate"` // readings a second that were sent
	Readings int      `json:"readings"`
	Verdicts float64  `json:"verdicts"`
	Waiting  float64  `json:"waiting"` // inputs without a record at the end

	IdleMB         float64 `json:"idle_mb"`          // resident memory before any reading
	IdleCPUPercent float64 `json:"idle_cpu_percent"` // of one core

	WarmUpMinutes float64    `json:"warm_up_minutes"` // cut off before the slopes were fitted
	Kept          soakSlope  `json:"kept_mb"`
	Blocks        soakSlope  `json:"blocks_mb"`
	Live          soakSlope  `json:"live_mb"`
	Anonymous     soakSlope  `json:"anonymous_mb"`
	Resident      soakSlope  `json:"resident_mb"`
	Goroutines    soakSlope  `json:"goroutines"`
	Disk          soakSlope  `json:"disk_mb"`
	LimitMB       float64    `json:"limit_mb"`
	CPUPercent    float64    `json:"cpu_percent"`
	Course        []soakPart `json:"course"` // of the whole, the warm-up too
}

// soakSlope is a slope by the hour after the warm-up.
type soakSlope struct {
	Mean    float64 `json:"mean"`
	Max     float64 `json:"max"`
	PerHour float64 `json:"per_hour"`
	SE      float64 `json:"se"`
	Low     float64 `json:"low"` // 95 % interval of the slope
	High    float64 `json:"high"`
	Bound   float64 `json:"bound"`
	Verdict string  `json:"verdict,omitempty"` // flat, grows, not shown or too much
}

// soakPart is the means of a tenth of a soak.
type soakPart struct {
	Minute     float64 `json:"minute"` // its middle
	Kept       float64 `json:"kept_mb"`
	Blocks     float64 `json:"blocks_mb"`
	Anonymous  float64 `json:"anonymous_mb"`
	Resident   float64 `json:"resident_mb"`
	Goroutines float64 `json:"goroutines"`
	Disk       float64 `json:"disk_mb"`
}

// soakBatches is into how many equal stretches what comes after the warm-up is divided.
const soakBatches = 12

// warmUp is how much of a soak of a length is cut off before a slope is fitted.
func (p soakPlan) warmUp(length time.Duration) time.Duration {
	return max(length/3, p.Window+2*time.Minute, p.Keep+2*time.Minute)
}

// Bounds of the growth by the hour up to which something is flat: its confidence interval must lie
// below.
const (
	keptPerReading  = 16.0  // bytes: the smallest thing that the heap can hold; an id would be 130
	ownPerReading   = 130.0 // bytes: the collector asks for twice what is kept, so an id of each would be 260
	goroutinesBound = 20.0
)

func sumUp(p soakPlan, all []sample) (*soakResult, error) {
	r := &soakResult{Plan: p}
	var load []sample
	var begun, idle sample
	for _, s := range all {
		switch s.Phase {
		case "begun":
			begun = s
		case "idle":
			idle = s
		case "load":
			load = append(load, s)
		}
	}
	if !idle.At.IsZero() {
		r.IdleMB = idle.Resident / 1e6
		if d := idle.At.Sub(begun.At).Seconds(); d > 1 {
			r.IdleCPUPercent = 100 * (idle.CPU - begun.CPU) / d
		}
	}
	if len(load) < 10 {
		return nil, errors.New("too few samples to say anything: make it longer")
	}
	first, last := load[0], load[len(load)-1]
	r.Minutes = last.At.Sub(idle.At).Minutes()
	r.Readings, r.Rate = last.Sent, float64(last.Sent)/last.At.Sub(idle.At).Seconds()
	r.Verdicts, r.Waiting, r.LimitMB = last.Verdicts-idle.Verdicts, last.Waiting, last.Limit/1e6
	r.course(load)

	cut := p.warmUp(last.At.Sub(first.At))
	r.WarmUpMinutes = cut.Minutes()
	for len(load) > 0 && load[0].At.Sub(idle.At) < cut {
		load = load[1:]
	}
	if len(load) > 1 {
		r.CPUPercent = 100 * (last.CPU - load[0].CPU) / last.At.Sub(load[0].At).Seconds()
	}
	fit := func(bound float64, of func(sample) float64) soakSlope { return fitSoak(load, bound, of, nil) }
	// What the buffers take is asked for twice over by the collector, and hides what grows slowly.
	blocks := func(s sample) float64 { return s.Blocks / 1e6 }
	own := ownPerReading * r.Rate * 3600 / 1e6
	r.Kept = fit(keptPerReading*r.Rate*3600/1e6, func(s sample) float64 { return s.Kept / 1e6 })
	r.Blocks, r.Live = fit(0, blocks), fit(0, func(s sample) float64 { return s.Live / 1e6 })
	r.Anonymous = fitSoak(load, own, func(s sample) float64 { return s.Anonymous / 1e6 }, blocks)
	r.Resident = fitSoak(load, own, func(s sample) float64 { return s.Resident / 1e6 }, blocks)
	r.Goroutines = fit(goroutinesBound, func(s sample) float64 { return s.Goroutines })
	r.Disk = fit(0, func(s sample) float64 { return s.Folder / 1e6 })
	if r.Anonymous.Max > memoryLimit/1e6 {
		r.Anonymous.Verdict = tooMuch
	}
	// What lies on the disk goes up and down with what was removed: what counts is how much it ever was.
	switch {
	case r.Disk.Max > r.LimitMB:
		r.Disk.Verdict = tooMuch
	case p.Keep == 0 || r.Disk.Max == 0: // nothing is removed, or nothing was seen after the warm-up
		r.Disk.Verdict = notShown
	default:
		r.Disk.Verdict = flat
	}
	return r, nil
}

// course says how all went, the warm-up too, so that a reader can judge the cut.
func (r *soakResult) course(load []sample) {
	parts := 10
	for i := range parts {
		part := load[i*len(load)/parts : (i+1)*len(load)/parts]
		if len(part) == 0 {
			continue
		}
		mean := func(of func(sample) float64) float64 {
			sum := 0.0
			for _, s := range part {
				sum += of(s)
			}
			return sum / float64(len(part))
		}
		r.Course = append(r.Course, soakPart{
			Minute: mean(func(s sample) float64 { return s.At.Sub(load[0].At).Minutes() }),
			Kept:   mean(func(s sample) float64 { return s.Kept / 1e6 }), Blocks: mean(func(s sample) float64 { return s.Blocks / 1e6 }), Anonymous: mean(func(s sample) float64 { return s.Anonymous / 1e6 }),
			Resident: mean(func(s sample) float64 { return s.Resident / 1e6 }), Goroutines: mean(func(s sample) float64 { return s.Goroutines }),
			Disk: mean(func(s sample) float64 { return s.Folder / 1e6 }),
		})
	}
}

// fitSoak fits a straight line to the means of equal stretches of samples. Samples follow each other so
// closely that they are not independent; means of stretches of a minute or more nearly are. The slope is
// that at equal values of beside, where it is given. Without a bound there is no verdict.
func fitSoak(list []sample, bound float64, of, beside func(sample) float64) soakSlope {
	f := soakSlope{Bound: bound, Verdict: notShown}
	if len(list) < 2*soakBatches {
		return f
	}
	var x, y, z []float64
	for i := range soakBatches {
		part := list[i*len(list)/soakBatches : (i+1)*len(list)/soakBatches]
		var hours, values, other []float64
		for _, s := range part {
			hours, values = append(hours, s.At.Sub(list[0].At).Hours()), append(values, of(s))
			f.Max = max(f.Max, of(s))
			if beside != nil {
				other = append(other, beside(s))
			}
		}
		if beside != nil {
			z = append(z, stat.Mean(other, nil))
		}
		x, y = append(x, stat.Mean(hours, nil)), append(y, stat.Mean(values, nil))
	}
	f.Mean = stat.Mean(y, nil)
	free := soakBatches - 2
	if beside != nil {
		// The slope in a regression on both is that of what is left of each by the other (Frisch and Waugh 1933).
		x, y, free = leftBy(z, x), leftBy(z, y), free-1
	}
	f.PerHour, f.SE = fitSlope(x, y, free)
	t := distuv.StudentsT{Sigma: 1, Nu: float64(free)}.Quantile(0.975)
	f.Low, f.High = f.PerHour-t*f.SE, f.PerHour+t*f.SE
	switch {
	case bound == 0:
		f.Verdict = ""
	case f.High <= bound:
		f.Verdict = flat
	case f.Low > 0:
		f.Verdict = grows
	}
	return f
}

const (
	flat     = "flat"
	grows    = "grows"
	notShown = "not shown"
	tooMuch  = "too much"
)

// leftBy gives what is left of y by its regression on z.
func leftBy(z, y []float64) []float64 {
	if stat.Variance(z, nil) == 0 {
		return y
	}
	a, b := stat.LinearRegression(z, y, nil, false)
	left := make([]float64, len(y))
	for i := range y {
		left[i] = y[i] - a - b*z[i]
	}
	return left
}

// fitSlope is the least-squares slope of y on x and its standard error with so many degrees of freedom.
func fitSlope(x, y []float64, free int) (slope, se float64) {
	a, b := stat.LinearRegression(x, y, nil, false)
	mx, sxx, rss := stat.Mean(x, nil), 0.0, 0.0
	for i := range x {
		sxx += (x[i] - mx) * (x[i] - mx)
		e := y[i] - a - b*x[i]
		rss += e * e
	}
	return b, math.Sqrt(rss / float64(free) / sxx)
}

// readSoak sums up the file of a soak.
func readSoak(path string) (*soakResult, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var p soakPlan
	var all []sample
	lines := bufio.NewScanner(f)
	for n := 1; lines.Scan(); n++ {
		if n == 1 {
			if err := json.Unmarshal(lines.Bytes(), &p); err != nil {
				return nil, fmt.Errorf("%s: the first line says no plan of a soak: %w", path, err)
			}
			continue
		}
		var s sample
		if err := json.Unmarshal(lines.Bytes(), &s); err != nil {
			break // the line at which it was cut short
		}
		all = append(all, s)
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	r, err := sumUp(p, all)
	if err == nil && float64(r.Readings) < math.Floor(p.Rate*p.Minutes*60) {
		r.CutShort = fmt.Sprintf("the file ends after %d readings", r.Readings)
	}
	return r, err
}

func (r *soakResult) text() string {
	var b strings.Builder
	if r.CutShort != "" {
		fmt.Fprintf(&b, "CUT SHORT: %s\n", r.CutShort)
	}
	fmt.Fprintf(&b, "idle: %.1f MB resident, %.2f %% of a core\n", r.IdleMB, r.IdleCPUPercent)
	fmt.Fprintf(&b, "%.1f min, %.1f readings/s sent, %d readings, %.0f verdicts, %.0f waiting at the end\n", r.Minutes, r.Rate, r.Readings, r.Verdicts, r.Waiting)
	fmt.Fprintf(&b, "\n  minute  kept MB  buffers MB  own MB  resident MB  goroutines  disk MB\n")
	for _, c := range r.Course {
		mark := " "
		if c.Minute < r.WarmUpMinutes {
			mark = "w"
		}
		fmt.Fprintf(&b, "%s %6.1f  %7.2f  %10.1f  %6.1f  %11.1f  %10.1f  %7.0f\n", mark, c.Minute, c.Kept, c.Blocks, c.Anonymous, c.Resident, c.Goroutines, c.Disk)
	}
	fmt.Fprintf(&b, "\nw: warm-up, the first %.1f min, cut off: ids are known for %s", r.WarmUpMinutes, r.Plan.Window)
	if r.Plan.Keep > 0 {
		fmt.Fprintf(&b, ", inputs and records kept for %s", r.Plan.Keep)
	} else {
		b.WriteString(", nothing is removed")
	}
	fmt.Fprintf(&b, "\nafter it, %.1f %% of a core; slopes an hour, standard errors, 95 %% intervals:\n", r.CPUPercent)
	for _, l := range []struct {
		name string
		s    soakSlope
	}{{"kept MB", r.Kept}, {"buffers MB", r.Blocks}, {"live MB", r.Live}, {"own MB", r.Anonymous}, {"resident MB", r.Resident}, {"goroutines", r.Goroutines}, {"disk MB", r.Disk}} {
		fmt.Fprintf(&b, "  %-11s %+8.2f +- %.2f (%+.2f to %+.2f), mean %.1f, at most %.1f", l.name, l.s.PerHour, l.s.SE, l.s.Low, l.s.High, l.s.Mean, l.s.Max)
		if l.s.Verdict != "" {
			b.WriteString(": " + strings.ToUpper(l.s.Verdict))
		}
		if l.s.Bound > 0 {
			fmt.Fprintf(&b, " (bound %+.1f)", l.s.Bound)
		}
		b.WriteString("\n")
	}
	fmt.Fprintf(&b, "kept: all of the heap but the file store's buffers; its bound is %.0f bytes a reading. own: memory that is no file's; its bound is %.0f bytes a reading, and it must stay below the collector's goal, %.0f MB. Its slope and that of resident are those at equal buffers.\n", keptPerReading, ownPerReading, memoryLimit/1e6)
	fmt.Fprintf(&b, "disk: %.0f MB at most, of %.0f that the limits allow\n", r.Disk.Max, r.LimitMB)
	return b.String()
}
