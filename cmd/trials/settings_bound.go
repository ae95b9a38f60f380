package main

import (
	"math"
	"slices"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
	"swathkeeper/measure/settings"
)

// Two observers that know what no search can stand beside it, so that what noise alone forbids is
// seen. Both see this shop only through its noisy prints, as the search does, and keep the print
// that measured nearest.

// byKnowing knows the whole hidden driver, inks and goods, all but where the day's wander puts
// them: it takes the mean of what its prints differ from the truth as the shop's own, and sets what
// is then best.
func (s *settingsShop) byKnowing(prints int) ([]float64, error) {
	var offs [][][3]float64
	return s.follow(prints, func(list []settings.Print) ([]float64, error) {
		last := list[len(list)-1]
		f, err := s.logs(last.Values, false)
		if err != nil {
			return nil, err
		}
		off := make([][3]float64, len(f))
		for p, c := range last.Lab {
			z := drift.LogsOf(c)
			for b := range z {
				off[p][b] = z[b] - f[p][b]
			}
		}
		offs = append(offs, off)
		mean := make([][3]float64, len(f))
		for _, o := range offs {
			for p := range o {
				for b := range 3 {
					mean[p][b] += o[p][b] / float64(len(offs))
				}
			}
		}
		v, _, err := s.pattern(s.best, []float64{0.05, 0.025, 0}, func(v []float64) (float64, error) {
			z, err := s.logs(v, true)
			if err != nil {
				return 0, err
			}
			sum := 0.0
			for i, p := range s.part {
				x := z[i]
				for b := range x {
					x[b] += mean[p][b]
				}
				sum += colour.DE2000(drift.LabOf(x), s.task.Aim[p])
			}
			return sum, nil
		})
		return v, err
	})
}

// bySlopes knows the driver's exact slopes at every print, in the logarithms that inks mix most
// smoothly in, and follows them to where the aim is nearest, as Gauss and Newton do.
func (s *settingsShop) bySlopes(prints int) ([]float64, error) {
	return s.follow(prints, func(list []settings.Print) ([]float64, error) {
		at := list[len(list)-1]
		n := len(at.Values)
		slope := make([][][3]float64, n)
		for i, sl := range s.task.Sliders {
			h := 0.01 * (sl.High - sl.Low)
			up, down := slices.Clone(at.Values), slices.Clone(at.Values)
			up[i], down[i] = min(sl.High, up[i]+h), max(sl.Low, down[i]-h)
			a, err := s.logs(up, false)
			if err != nil {
				return nil, err
			}
			b, err := s.logs(down, false)
			if err != nil {
				return nil, err
			}
			slope[i] = a
			for p := range a {
				for k := range 3 {
					slope[i][p][k] = (a[p][k] - b[p][k]) / (up[i] - down[i])
				}
			}
		}
		v, _, err := s.pattern(at.Values, []float64{0.2, 0.1, 0.05, 0.025, 0}, func(v []float64) (float64, error) {
			sum := 0.0
			for _, p := range s.part {
				z := drift.LogsOf(at.Lab[p])
				for i := range v {
					for k := range 3 {
						z[k] += slope[i][p][k] * (v[i] - at.Values[i])
					}
				}
				sum += colour.DE2000(drift.LabOf(z), s.task.Aim[p])
			}
			return sum, nil
		})
		return v, err
	})
}

// follow prints, and lets next choose from all prints, so many times.
func (s *settingsShop) follow(prints int, next func([]settings.Print) ([]float64, error)) ([]float64, error) {
	var list []settings.Print
	var curve []float64
	v := s.start
	near, top := v, math.Inf(1)
	for j := range prints {
		p, err := s.print(j, v)
		if err != nil {
			return nil, err
		}
		list = append(list, p)
		if d := s.task.Difference(p.Lab, nil); d < top {
			near, top = v, d
		}
		d, err := s.typical(near)
		if err != nil {
			return nil, err
		}
		curve = append(curve, d)
		if j < prints-1 {
			if v, err = next(list); err != nil {
				return nil, err
			}
		}
	}
	return curve, nil
}

// logs is the chart under settings v, without noise.
func (s *settingsShop) logs(v []float64, small bool) ([][3]float64, error) {
	shop := s.shop
	if small {
		shop = s.small
	}
	e, err := shop.Exact(madeup.Pressed, madeup.Faults{Dials: v})
	if err != nil {
		return nil, err
	}
	out := make([][3]float64, len(e.Lab))
	for p, c := range e.Lab {
		out[p] = drift.LogsOf(c)
	}
	return out, nil
}
