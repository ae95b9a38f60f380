package drift

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

const reference = "../../testdata/reference/"

func table(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(reference + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	r.FieldsPerRecord = -1
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, h := range rows[0] {
			if i < len(row) {
				m[h] = row[i]
			}
		}
		out = append(out, m)
	}
	return out
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func document(t *testing.T, name string, into any) {
	t.Helper()
	data, err := os.ReadFile(reference + name)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, into); err != nil {
		t.Fatal(err)
	}
}

// rounded says whether got rounds to the published figure, of which one unit of the last digit is
// let pass: tables were typeset from chains coarser than ours.
func rounded(got float64, published string) bool {
	digits := 0
	if i := strings.IndexByte(published, '.'); i >= 0 {
		digits = len(published) - i - 1
	}
	want, _ := strconv.ParseFloat(published, 64)
	return math.Abs(got-want) <= 1.5*math.Pow(10, -float64(digits))
}

// TestEWMARunLength checks the tables of Lucas and Saccucci 1990, Crowder 1987 and Steiner 1999 (each row
// says whether it was read in a source or is from memory), and the independent solution beside them
// (testdata/reference/SOURCES.md). That the judge's chart runs so is TestWeightedMeanOfTheJudge.
func TestEWMARunLength(t *testing.T) {
	published := 0
	for _, r := range table(t, "ewma-arl.csv") {
		lambda, width, shift := number(t, r["lambda"]), number(t, r["L"]), number(t, r["shift"])
		got := EWMARunLength(lambda, width, shift)
		if want := number(t, r["arl_computed"]); math.Abs(got-want) > 2e-4*want {
			t.Errorf("lambda %g width %g shift %g: %.6g, computed independently %.6g", lambda, width, shift, got, want)
		}
		// Rows with a note are known not to round to what was printed.
		if r["note"] == "" && r["arl_published"] != "" {
			published++
			if !rounded(got, r["arl_published"]) {
				t.Errorf("lambda %g width %g shift %g: %.4f, the table has %s (%s, %s)", lambda, width, shift, got, r["arl_published"], r["source"], r["status"])
			}
		}
	}
	if published < 50 {
		t.Errorf("only %d published values were compared", published)
	}
}

// TestCUSUMRunLength checks Lucas and Crosier 1982, Brook and Evans 1972, Vance 1986, Waldmann 1986
// and Hawkins 1993.
func TestCUSUMRunLength(t *testing.T) {
	for _, r := range table(t, "cusum-arl.csv") {
		k, h, head, shift := number(t, r["k"]), number(t, r["h"]), number(t, r["headstart"]), number(t, r["shift"])
		got := CUSUMRunLength(k, h, head, shift, r["sided"] == "two")
		if want := number(t, r["arl_computed"]); math.Abs(got-want) > 2e-4*want {
			t.Errorf("k %g h %g start %g shift %g %s: %.6g, computed independently %.6g", k, h, head, shift, r["sided"], got, want)
		}
		if r["note"] == "" && r["arl_published"] != "" && !rounded(got, r["arl_published"]) {
			t.Errorf("k %g h %g start %g shift %g: %.4f, published %s (%s)", k, h, head, shift, got, r["arl_published"], r["source"])
		}
	}
}

// TestMEWMARunLength checks Rigdon 1995, without the value known not to be reproducible.
func TestMEWMARunLength(t *testing.T) {
	var d struct {
		Published []struct {
			P       int     `json:"p"`
			Lambda  float64 `json:"lambda"`
			H       float64 `json:"h"`
			Delta   float64 `json:"delta"`
			ARL     float64 `json:"arl"`
			Warning string  `json:"warning"`
		} `json:"published"`
		Computed []struct {
			P      int     `json:"p"`
			Lambda float64 `json:"lambda"`
			ARL0   float64 `json:"arl0"`
			H      float64 `json:"h"`
		} `json:"computed_h"`
	}
	document(t, "mewma-arl.json", &d)
	for _, r := range d.Published {
		if r.Delta != 0 || r.Warning != "" {
			continue
		}
		if got := MEWMARunLength(r.P, r.Lambda, r.H); math.Abs(got-r.ARL) > 0.01*r.ARL {
			t.Errorf("p %d lambda %g h %g: %.2f, published %g", r.P, r.Lambda, r.H, got, r.ARL)
		}
	}
	for _, r := range d.Computed {
		if got := MEWMARunLength(r.P, r.Lambda, r.H); math.Abs(got-r.ARL0) > 2e-3*r.ARL0 {
			t.Errorf("p %d lambda %g h %g: %.3f, want %g", r.P, r.Lambda, r.H, got, r.ARL0)
		}
	}
}

// TestToleranceFactor checks Odeh and Owen 1980, ISO 16269-6 and the e-Handbook's exact integral.
func TestToleranceFactor(t *testing.T) {
	for _, r := range table(t, "tolerance-factors.csv") {
		if r["method"] != "exact" {
			continue
		}
		n := number(t, r["n"])
		got := ToleranceFactor(n, n-1, number(t, r["p"]), number(t, r["confidence"]))
		if want := number(t, r["k_computed"]); math.Abs(got-want) > 1e-4*want {
			t.Errorf("n %g: %.5f, want %s", n, got, r["k_computed"])
		}
		if !rounded(got, r["k_published"]) {
			t.Errorf("n %g: %.5f, published %s", n, got, r["k_published"])
		}
	}
	var d struct {
		Howe struct {
			N          float64 `json:"N"`
			P          float64 `json:"p"`
			Confidence float64 `json:"confidence"`
			DOF        float64 `json:"dof"`
			Exact      float64 `json:"k2_exact_integral"`
		} `json:"two_sided_howe"`
	}
	document(t, "nist-tolerance.json", &d)
	if got := ToleranceFactor(d.Howe.N, d.Howe.DOF, d.Howe.P, d.Howe.Confidence); math.Abs(got-d.Howe.Exact) > 1e-4 {
		t.Errorf("e-Handbook 7.2.6.3: %.6f, want %g", got, d.Howe.Exact)
	}
}

// TestHotelling checks the worked example of Johnson and Wichern (T2 = 9.74), the e-Handbook's
// covariance and the limits by its formulas.
func TestHotelling(t *testing.T) {
	var d struct {
		Example struct {
			Mu0  []float64   `json:"mu0"`
			N    int         `json:"n"`
			X    [][]float64 `json:"x"`
			T2   float64     `json:"T2_computed"`
			Book float64     `json:"T2"`
			P    float64     `json:"p_value"`
		} `json:"hotelling_one_sample"`
		Limits struct {
			Rows []struct {
				M     int     `json:"m"`
				P     int     `json:"p"`
				Alpha float64 `json:"alpha"`
				UCL   float64 `json:"ucl_phase2_individual"`
			} `json:"rows"`
		} `json:"hotelling_limits"`
	}
	document(t, "multivariate.json", &d)
	e := d.Example
	p, n := len(e.Mu0), float64(e.N)
	mean, cov := make([]float64, p), matrix(p, p)
	for _, x := range e.X {
		for i := range p {
			mean[i] += x[i] / n
		}
	}
	for _, x := range e.X {
		for i := range p {
			for j := range p {
				// The example tests a mean of n values: its covariance is that of one, over n.
				cov[i][j] += (x[i] - mean[i]) * (x[j] - mean[j]) / (n - 1) / n
			}
		}
	}
	t2, err := Hotelling(mean, e.Mu0, cov)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(t2-e.T2) > 1e-6 || math.Abs(t2-e.Book) > 0.005 {
		t.Errorf("T2 %.6f, published %g, computed independently %g", t2, e.Book, e.T2)
	}
	for _, r := range d.Limits.Rows {
		got := HotellingLimit(r.P, r.M, r.Alpha)
		if math.Abs(got-r.UCL) > 1e-5*r.UCL {
			t.Errorf("p %d m %d alpha %g: limit %.6f, want %.6f", r.P, r.M, r.Alpha, got, r.UCL)
		}
		if back := hotellingTail(got, r.P, r.M); math.Abs(back-r.Alpha) > 1e-6 {
			t.Errorf("p %d m %d: the tail at its own limit is %g, want %g", r.P, r.M, back, r.Alpha)
		}
	}
	if _, err := Hotelling([]float64{1, 2}, []float64{0, 0}, [][]float64{{1, 1}, {1, 1}}); err == nil {
		t.Error("a singular covariance is taken")
	}
}

// TestEWMAAndCusumByHand replays the e-Handbook's EWMA example (6.3.2.4) through the weighted mean
// that the judge keeps, and its CUSUM example (6.3.2.3) through the cumulative sums.
func TestEWMAAndCusumByHand(t *testing.T) {
	var ewma struct {
		Target float64   `json:"target"`
		Lambda float64   `json:"lambda"`
		X      []float64 `json:"x"`
		EWMA   []float64 `json:"ewma"`
	}
	document(t, "nist-ewma.json", &ewma)
	m := &Model{b: &Baseline{Options: Options{Lambda: ewma.Lambda}}, limits: []limit{{one: 1e9}}}
	z := 0.0
	for i, x := range ewma.X {
		z = m.weighted(0, z, x-ewma.Target)
		if math.Abs(z+ewma.Target-ewma.EWMA[i]) > 0.00501 {
			t.Errorf("EWMA %d: %.4f, printed %.2f", i+1, z+ewma.Target, ewma.EWMA[i])
		}
	}
	v := (&predictiveCase{}).factor(ewmaWeights(ewma.Lambda))
	if got := ewma.Target + 3*2.0539*math.Sqrt(v); math.Abs(got-52.5884) > 1e-3 {
		t.Errorf("upper limit %.4f, printed 52.5884", got)
	}

	var sums struct {
		Target float64   `json:"target"`
		Sigma  float64   `json:"sigma_of_means"`
		K      float64   `json:"k"`
		X      []float64 `json:"x"`
		High   []float64 `json:"s_hi"`
	}
	document(t, "nist-cusum.json", &sums)
	// The slack here is 0.75 sd, the handbook's 0.5: the difference is added back. Sums stay
	// below the cut at 4 sd a step for this example's first shift.
	s, since := 0.0, 0
	for i, x := range sums.X[:14] {
		z := (x - sums.Target) / sums.Sigma
		s, since = cusum(s, z+cusumSlack-sums.K/sums.Sigma, since)
		if z < 4 && math.Abs(s*sums.Sigma-sums.High[i]) > 0.0051 && i < 12 {
			t.Errorf("CUSUM %d: %.4f, printed %.2f", i+1, s*sums.Sigma, sums.High[i])
		}
	}
	if since != 2 {
		t.Errorf("after reading 14 the sum has run for %d readings, it left zero at reading 13", since)
	}
}

// TestGrubbs checks the critical value of e-Handbook 1.3.5.17.1, which is one-sided at 5 %: two-sided
// at 10 %.
func TestGrubbs(t *testing.T) {
	var d struct {
		G struct {
			X        []float64 `json:"x"`
			Critical float64   `json:"critical_alpha_0.05"`
		} `json:"grubbs_1.3.5.17.1"`
	}
	document(t, "nist-misc.json", &d)
	if got := grubbs(len(d.G.X), 0.10); math.Abs(got-d.G.Critical) > 5e-4 {
		t.Errorf("critical value %.4f, printed %g", got, d.G.Critical)
	}
}

// TestQuantile checks the e-Handbook's percentile by linear interpolation (7.2.6.2, method R7).
func TestQuantile(t *testing.T) {
	var d struct {
		P struct {
			X  []float64 `json:"x"`
			P  float64   `json:"p"`
			R7 float64   `json:"R7"`
		} `json:"percentile_7.2.6.2"`
	}
	document(t, "nist-misc.json", &d)
	if got := quantile(d.P.X, d.P.P); math.Abs(got-d.P.R7) > 5e-5 {
		t.Errorf("%.5f, printed %g", got, d.P.R7)
	}
}
