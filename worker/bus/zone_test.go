package bus_test

import (
	"testing"
	"time"

	"swathkeeper/worker/bus"
	"swathkeeper/worker/zones"
)

// What a worker notes, whoever looks reads; a zone without a name takes the old one away.
func TestTellZone(t *testing.T) {
	e, js := open(t, t.TempDir())
	t.Cleanup(e.Stop)
	if zone, err := bus.ShopZone(t.Context(), js); zone != nil || err != nil {
		t.Errorf("a bus that is not set up: %v, %v", zone, err)
	}
	if err := bus.Provision(t.Context(), js, bus.DefaultLimits()); err != nil {
		t.Fatal(err)
	}
	var paris, tokyo *time.Location
	for name, to := range map[string]**time.Location{"Europe/Paris": &paris, "Asia/Tokyo": &tokyo} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Skip(err)
		}
		*to = zone
	}
	last := ""
	for _, c := range []struct {
		zone *time.Location
		want string
	}{{nil, ""}, {paris, "Europe/Paris"}, {paris, "Europe/Paris"}, {tokyo, "Asia/Tokyo"}, {time.FixedZone("", 60), ""}} {
		before, err := bus.TellZone(t.Context(), js, c.zone)
		if err != nil || before != last {
			t.Errorf("%v: before %q, want %q: %v", c.zone, before, last, err)
		}
		zone, err := bus.ShopZone(t.Context(), js)
		if err != nil || zones.Name(zone) != c.want {
			t.Errorf("told %v, read %v, want %q: %v", c.zone, zone, c.want, err)
		}
		last = c.want
	}
}
