package bus_test

import (
	"testing"
	"time"

	"github.com/rs/zerolog"

	"swathkeeper/worker/bus"
	"swathkeeper/worker/zones"
)

// What a worker notes, whoever looks reads; a zone without a name takes the old one away.
func TestTellZone(t *testing.T) {
	e, err := bus.StartEmbedded(t.Context(), bus.EmbeddedOptions{Dir: t.TempDir(), MaxStore: bus.DefaultLimits().Total(), Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(e.Stop)
	nc, js, err := bus.Connect(t.Context(), bus.ConnectOptions{Embedded: e, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	if zone, err := bus.ShopZone(t.Context(), js); zone != nil || err != nil {
		t.Errorf("a bus that is not set up: %v, %v", zone, err)
	}
	if err := bus.Provision(t.Context(), js, bus.DefaultLimits()); err != nil {
		t.Fatal(err)
	}
	var paris, tokyo *time.Location
	for name, to := range map[string]**time.Location{"Europe/Paris": &paris, "Asia/Tokyo": &tokyo} {
		if *to, err = time.LoadLocation(name); err != nil {
			t.Skip(err)
		}
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
