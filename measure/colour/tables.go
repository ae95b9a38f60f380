package colour

import (
	_ "embed"
	"fmt"
	"strconv"
	"strings"
	"sync"
)

//go:embed tables/cie1931-illuminants-1nm.csv
var cieCSV string

//go:embed tables/iso5-3-status-density.csv
var densityCSV string

const (
	tableFrom = 360 // nm, first row of the CIE table
	tableTo   = 830
	tableLen  = tableTo - tableFrom + 1

	// The tables of ASTM E308 and ISO 13655 end at 780 nm, and so do the sums here.
	sumTo  = 780
	sumLen = sumTo - tableFrom + 1
)

// cieTable holds the observer and the illuminants at 1 nm, 360..830 nm.
type cieTable struct {
	x, y, z     [tableLen]float64
	illuminants [3][tableLen]float64 // by Illuminant
}

var cie = sync.OnceValue(func() *cieTable {
	t := new(cieTable)
	var d50 [tableLen]float64
	for i, row := range parseTable(cieCSV, 7, tableFrom, 1, tableLen) {
		t.x[i], t.y[i], t.z[i] = row[0], row[1], row[2]
		t.illuminants[IlluminantA][i] = row[3]
		d50[i] = row[4]
		t.illuminants[IlluminantD65][i] = row[5]
	}
	// The weighting factors of ISO 13655 and ASTM E308 rest on D50 given each 5 nm and
	// interpolated cubically; the 1 nm data set of the CIE runs straight between those points.
	// Both agree at the points, but single 10 nm weights differ by up to 0.014.
	coarse := make([]float64, 0, tableLen/5+1)
	for i := 0; i < tableLen; i += 5 {
		coarse = append(coarse, d50[i])
	}
	for i := range d50 {
		first, c := lagrange(float64(i)/5, len(coarse))
		for j, w := range c {
			if w != 0 {
				t.illuminants[IlluminantD50][i] += w * coarse[first+j]
			}
		}
	}
	return t
})

// densityTable holds the spectral products of ISO 5-3, 10 nm from 340 nm, by Status and filter.
type densityTable [densityLen][7]float64

const (
	densityFrom = 340
	densityLen  = 44
)

var densities = sync.OnceValue(func() *densityTable {
	t := new(densityTable)
	for i, row := range parseTable(densityCSV, 8, densityFrom, 10, densityLen) {
		copy(t[i][:], row)
	}
	return t
})

// parseTable reads an embedded table: comments, one line of names, then rows that begin with
// their wavelength. A table that does not hold what the program was built with is a fault of
// the build, hence the panics; the tests read both tables.
func parseTable(text string, columns, from, step, rows int) [][]float64 {
	out := make([][]float64, 0, rows)
	header := true
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		if header {
			header = false
			continue
		}
		fields := strings.Split(line, ",")
		if len(fields) != columns {
			panic(fmt.Sprintf("colour: embedded table: %q has %d fields, want %d", line, len(fields), columns))
		}
		row := make([]float64, columns)
		for i, f := range fields {
			v, err := strconv.ParseFloat(f, 64)
			if err != nil {
				panic(fmt.Sprintf("colour: embedded table: %q: %v", line, err))
			}
			row[i] = v
		}
		if row[0] != float64(from+len(out)*step) {
			panic(fmt.Sprintf("colour: embedded table: row %q is out of order", line))
		}
		out = append(out, row[1:])
	}
	if len(out) != rows {
		panic(fmt.Sprintf("colour: embedded table has %d rows, want %d", len(out), rows))
	}
	return out
}

// lagrange returns the interpolation coefficients of ASTM E2022 at position p on a grid of n
// points 0..n-1: cubic through the two points on either side, quadratic through the three end
// points in the first and last interval. The coefficients apply to points first, first+1, ...;
// in the quadratic case the fourth is zero. n must be at least 4 and p within 0..n-1.
func lagrange(p float64, n int) (first int, c [4]float64) {
	i := min(int(p), n-2)
	switch {
	case i == 0:
		c[0], c[1], c[2] = quadratic(p)
		return 0, c
	case i == n-2:
		// Points n-3, n-2, n-1.
		c[0], c[1], c[2] = quadratic(p - float64(n-3))
		return n - 3, c
	}
	u := p - float64(i)
	c[0] = -u * (u - 1) * (u - 2) / 6
	c[1] = (u + 1) * (u - 1) * (u - 2) / 2
	c[2] = -(u + 1) * u * (u - 2) / 2
	c[3] = (u + 1) * u * (u - 1) / 6
	return i - 1, c
}

func quadratic(u float64) (a, b, c float64) {
	return (u - 1) * (u - 2) / 2, -u * (u - 2), u * (u - 1) / 2
}
