package alert

import (
	"testing"
	"time"

	"swathkeeper/protocol"
)

// What the transfer paper showed lately, and what the goods did, is known to the judge of the other: the same
// print before any other, and nothing that is old, doubtful or of the same stage.
func TestOtherStage(t *testing.T) {
	p := newPlay(t, Options{NoLearnedSilence: true})
	if s, _, _ := p.state.OtherStage(protocol.StagePressed, "7", p.now, p.opts); s != nil {
		t.Errorf("of a printer never heard of: %+v", s)
	}
	p.readAs(reading{series: transfer.series, stage: transfer.stage, print: "7"}, weak)
	other := reading{series: "dddddddddddd", stage: protocol.StageTransfer, print: "8"}
	p.readAs(other)
	p.readAs(reading{series: "eeeeeeeeeeee", stage: protocol.StageTransfer, noPatches: true})
	p.readAs(reading{series: "ffffffffffff", stage: protocol.StageTransfer, noBaseline: true}, weak)
	p.readAs(goods)
	for _, c := range []struct {
		name, stage, print string
		after              time.Duration
		known, real        bool
		number             string
	}{
		{"the same print", protocol.StagePressed, "7", 0, true, true, "7"},
		{"another print: the one read last", protocol.StagePressed, "9", 0, true, false, "8"},
		{"of one that has no number", protocol.StagePressed, "", 0, true, false, "8"},
		{"the transfer asks the goods", protocol.StageTransfer, "9", 0, true, false, ""},
		{"printed without a press", protocol.StageDirect, "7", 0, false, false, ""},
		{"two days later", protocol.StagePressed, "7", 48 * time.Hour, false, false, ""},
		{"two days before", protocol.StagePressed, "7", -48 * time.Hour, false, false, ""},
	} {
		s, stage, same := p.state.OtherStage(c.stage, c.print, p.now.Add(c.after), p.opts)
		if (s != nil) != c.known || s != nil && (s.Real != c.real || s.Print != c.number || stage == c.stage || same != (c.print != "" && c.print == c.number)) {
			t.Errorf("%s: %+v at %q", c.name, s, stage)
		}
		if s != nil && s.Real && s.Strength["C"] >= 0 {
			t.Errorf("%s: a weak cyan shows %v", c.name, s.Strength)
		}
	}
	p.readAs(reading{series: transfer.series, stage: transfer.stage, print: "7"}, doubt)
	if s, _, _ := p.state.OtherStage(protocol.StagePressed, "7", p.now, p.opts); s == nil || s.Real {
		t.Errorf("a reading to be repeated: %+v", s)
	}
	p.readAs(reading{series: transfer.series, stage: transfer.stage, print: "7", baseline: "baseline-2", noPatches: true})
	if s, _, _ := p.state.OtherStage(protocol.StagePressed, "7", p.now, p.opts); s == nil || s.Print != "8" {
		t.Errorf("against another baseline: %+v", s)
	}
}

// A number that stands on every sheet, since one file is printed day after day, makes two sheets no same print.
func TestOtherStageOfOneNumberOnEverySheet(t *testing.T) {
	p := newPlay(t, Options{NoLearnedSilence: true})
	for day := range sharedDays {
		p.readAs(reading{series: transfer.series, stage: transfer.stage, print: "1"})
		if s, _, same := p.state.OtherStage(protocol.StagePressed, "1", p.now, p.opts); s == nil || same != (day < sharedDays-1) {
			t.Errorf("day %d: %+v, the same print: %v", day+1, s, same)
		}
		p.pass(24 * time.Hour)
	}
}
