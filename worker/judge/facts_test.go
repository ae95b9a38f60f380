package judge

import (
	"slices"
	"testing"

	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
)

// A print that is read again is no other chart that agrees.
func TestAgreeingPrints(t *testing.T) {
	t.Parallel()
	var prints []string
	for i, c := range []struct {
		agreeing int
		number   string
		want     []string
	}{
		{1, "7", []string{"7"}}, {2, "7", []string{"7"}}, {3, "8", []string{"7", "8"}}, {4, "7", []string{"7", "8"}},
		{1, "8", []string{"8"}}, {0, "9", nil}, {1, "", []string{""}}, {2, "", []string{"", ""}}, {3, "9", []string{"", "", "9"}},
	} {
		var p *protocol.Print
		if c.number != "" {
			p = &protocol.Print{Number: c.number}
		}
		if prints = agreeing(prints, &drift.Result{Agreeing: c.agreeing}, p); !slices.Equal(prints, c.want) {
			t.Errorf("step %d: %q, want %q", i, prints, c.want)
		}
	}
}

// What was not given is no change, and neither is a platen that was measured.
func TestPressFacts(t *testing.T) {
	t.Parallel()
	b := &Baseline{}
	b.Press = &protocol.Press{Celsius: 200, Pressure: "middle"}
	for name, c := range map[string]struct {
		now              protocol.Press
		changed          bool
		celsius, seconds float64
	}{
		"only the time given":  {protocol.Press{Seconds: 50}, false, 0, 0},
		"measured":             {protocol.Press{Celsius: 200.4}, false, 0, 0},
		"no pressure given":    {protocol.Press{Celsius: 200}, false, 0, 0},
		"colder":               {protocol.Press{Celsius: 190, Seconds: 50}, true, -10, 0},
		"in another way heavy": {protocol.Press{Pressure: "heavy"}, true, 0, 0},
	} {
		f := facts(b, &protocol.Reading{Press: &c.now})
		if f.PressChanged != c.changed || f.PressCelsius != c.celsius || f.PressSeconds != c.seconds {
			t.Errorf("%s: %+v", name, f)
		}
	}
}
