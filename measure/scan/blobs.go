package scan

// blob is a connected dark area of the overview.
type blob struct {
	x0, y0, x1, y1 int32 // its box, ends included
	n              int64 // pixels
	sx, sy         int64 // sums of their places
}

func (b *blob) sides() (w, h float64) { return float64(b.x1 - b.x0 + 1), float64(b.y1 - b.y0 + 1) }

// fill is the share of its box that it fills.
func (b *blob) fill() float64 {
	w, h := b.sides()
	return float64(b.n) / (w * h)
}

func (b *blob) centre() point {
	return point{float64(b.sx) / float64(b.n), float64(b.sy) / float64(b.n)}
}

// limit is between white and black: what is not lighter is dark.
func (o *overview) limit() byte { return byte((int(o.white) + int(o.black)) / 2) }

// stretch is a run of dark pixels in one row, from x0 to before x1.
type stretch struct {
	x0, x1 int32
	label  int32
}

// blobs finds the connected dark areas: runs of each row, joined with those they touch in the row
// above (two areas that turn out to be one become one by union and find).
func (o *overview) blobs() []blob {
	if o.found != nil {
		return o.found
	}
	rows := make([][]stretch, o.h)
	limit := o.limit()
	inBands(o.h, func(from, to int) {
		for y := from; y < to; y++ {
			rows[y] = darkRuns(o.pix[y*o.w:][:o.w], limit)
		}
	})
	var all []blob
	var parent []int32
	find := func(i int32) int32 {
		for parent[i] != i {
			parent[i] = parent[parent[i]]
			i = parent[i]
		}
		return i
	}
	var above []stretch
	for y, here := range rows {
		k := 0
		for i := range here {
			r := &here[i]
			r.label = -1
			for k < len(above) && above[k].x1 <= r.x0 {
				k++
			}
			for j := k; j < len(above) && above[j].x0 < r.x1; j++ {
				l := find(above[j].label)
				if r.label < 0 {
					r.label = l
				} else if l != r.label {
					parent[l] = r.label
					all[r.label].join(&all[l])
				}
			}
			one := blob{x0: r.x0, x1: r.x1 - 1, y0: int32(y), y1: int32(y), n: int64(r.x1 - r.x0)}
			one.sx, one.sy = one.n*int64(r.x0+r.x1-1)/2, one.n*int64(y)
			if r.label < 0 {
				r.label = int32(len(all))
				parent, all = append(parent, r.label), append(all, one)
			} else {
				all[r.label].join(&one)
			}
		}
		above = here
	}
	o.found = []blob{}
	for i := range all {
		if parent[i] == int32(i) {
			o.found = append(o.found, all[i])
		}
	}
	return o.found
}

func (b *blob) join(o *blob) {
	b.x0, b.y0, b.x1, b.y1 = min(b.x0, o.x0), min(b.y0, o.y0), max(b.x1, o.x1), max(b.y1, o.y1)
	b.n, b.sx, b.sy = b.n+o.n, b.sx+o.sx, b.sy+o.sy
}

func darkRuns(row []byte, limit byte) []stretch {
	var out []stretch
	for x := 0; x < len(row); x++ {
		if row[x] > limit {
			continue
		}
		from := x
		for x < len(row) && row[x] <= limit {
			x++
		}
		out = append(out, stretch{x0: int32(from), x1: int32(x)})
	}
	return out
}
