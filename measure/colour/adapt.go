package colour

import "github.com/lucasb-eyer/go-colorful"

// A Matrix is a 3x3 matrix, row by row, that acts on a column of X, Y, Z.
type Matrix [3][3]float64

// Apply multiplies.
func (m *Matrix) Apply(c XYZ) XYZ {
	return XYZ{
		X: m[0][0]*c.X + m[0][1]*c.Y + m[0][2]*c.Z,
		Y: m[1][0]*c.X + m[1][1]*c.Y + m[1][2]*c.Z,
		Z: m[2][0]*c.X + m[2][1]*c.Y + m[2][2]*c.Z,
	}
}

func (m *Matrix) times(n *Matrix) (p Matrix) {
	for i := range 3 {
		for j := range 3 {
			p[i][j] = m[i][0]*n[0][j] + m[i][1]*n[1][j] + m[i][2]*n[2][j]
		}
	}
	return p
}

// The linear Bradford cone responses (K. M. Lam 1985; ISO 15076-1 Annex E), and the inverse.
var (
	bradford = Matrix{
		{0.8951, 0.2664, -0.1614},
		{-0.7502, 1.7135, 0.0367},
		{0.0389, -0.0685, 1.0296},
	}
	bradfordInverse = bradford.inverse()
)

func (m *Matrix) inverse() (v Matrix) {
	for i := range 3 {
		for j := range 3 {
			a, b := (j+1)%3, (j+2)%3
			c, d := (i+1)%3, (i+2)%3
			v[i][j] = m[a][c]*m[b][d] - m[a][d]*m[b][c]
		}
	}
	det := m[0][0]*v[0][0] + m[0][1]*v[1][0] + m[0][2]*v[2][0]
	for i := range v {
		for j := range v[i] {
			v[i][j] /= det
		}
	}
	return v
}

// Bradford returns the matrix of the linear Bradford chromatic adaptation: colours seen under
// white from become those of the same appearance under white to.
func Bradford(from, to XYZ) Matrix {
	f, t := bradford.Apply(from), bradford.Apply(to)
	scale := Matrix{{t.X / f.X}, {0, t.Y / f.Y}, {0, 0, t.Z / f.Z}}
	m := scale.times(&bradford)
	return bradfordInverse.times(&m)
}

// rgbToD50 takes linear sRGB (0..1) to XYZ under D50, its white going to D50 exactly.
var rgbToD50 = func() Matrix {
	var m Matrix
	for i := range 3 {
		var unit [3]float64
		unit[i] = 100
		x, y, z := colorful.LinearRgbToXyz(unit[0], unit[1], unit[2])
		m[0][i], m[1][i], m[2][i] = x, y, z
	}
	cat := Bradford(m.Apply(XYZ{1, 1, 1}), D50)
	return cat.times(&m)
}()

// LinearRGB takes linear RGB with the primaries and white of sRGB (IEC 61966-2-1), 0..1, to XYZ
// under D50 by Bradford adaptation. It is what a scanner's pixels stand for only as far as the
// scanner's own description says so: good enough for differences between two scans of one
// scanner, not for absolute colours.
func LinearRGB(r, g, b float64) XYZ { return rgbToD50.Apply(XYZ{r, g, b}) }

// SRGB is LinearRGB after undoing the sRGB transfer curve.
func SRGB(r, g, b float64) XYZ {
	r, g, b = colorful.Color{R: r, G: g, B: b}.LinearRgb()
	return LinearRGB(r, g, b)
}
