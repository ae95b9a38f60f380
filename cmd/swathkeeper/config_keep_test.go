package main

import (
	"testing"
	"time"

	"swathkeeper/worker/retention"
)

func TestKeep(t *testing.T) {
	const day = 24 * time.Hour
	for in, want := range map[keepConfig]retention.Policy{
		{}:                                     retention.DefaultPolicy(),
		{Readings: "30d", Records: "52w"}:      {Readings: 30 * day, Records: 364 * day},
		{Readings: " 2Y ", Records: "forever"}: {Readings: 730 * day},
		{Readings: "forever", Records: "forever"}: {},
	} {
		got, err := in.policy()
		if err != nil || *got != want {
			t.Errorf("%+v: %+v, %v", in, got, err)
		}
	}
	for _, in := range []keepConfig{{Readings: "29d"}, {Readings: "400"}, {Records: "3m"}, {Readings: "-400d"}, {Records: "99999d"}, {Readings: "forever"}, {Readings: "2y", Records: "1y"}, {Readings: "d"}} {
		if p, err := in.policy(); err == nil {
			t.Errorf("%+v is taken as %+v", in, p)
		}
	}
}
