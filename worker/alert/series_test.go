package alert

import (
	"testing"
	"time"

	"swathkeeper/protocol"
)

var (
	transfer = reading{series: "bbbbbbbbbbbb", stage: protocol.StageTransfer}
	goods    = reading{series: "aaaaaaaaaaaa", stage: protocol.StagePressed}
	press    = seen{protocol.AdvicePress, "", protocol.LevelAct, 1.4}
	refit    = seen{protocol.AdviceRefit, "", protocol.LevelAct, 1.4}
	doubt    = seen{protocol.AdviceRemeasure, "", protocol.LevelAct, 1.4}
)

func TestTwoSeriesSupportEachOther(t *testing.T) {
	p := newPlay(t, Options{})
	p.readAs(transfer)
	p.readAs(goods)
	want(t, p.readAs(transfer, weak))
	d := p.readAs(goods, weak)
	want(t, d, "raised check_ink/C act (supported)")
	// Two days apart they do not.
	p = newPlay(t, Options{NoLearnedSilence: true})
	p.readAs(transfer, weak)
	p.pass(48 * time.Hour)
	want(t, p.readAs(goods, weak))
}

func TestAGoodTransferContradictsAWeakInkOnTheGoods(t *testing.T) {
	p := newPlay(t, Options{})
	p.readAs(transfer)
	p.readAs(goods)
	p.readAs(goods, weak)
	p.readAs(transfer)
	want(t, p.readAs(goods, weak)) // two of three are not enough against the transfer
	d := p.readAs(goods, weak)
	want(t, d, "raised check_ink/C act (confirmed)")
	if c := d.Changes[0]; c.Rival != protocol.AdvicePress || c.Steps[0] != "The transfer paper read right: look at the press and the fabric first." {
		t.Errorf("%+v", c)
	}
}

func TestABadTransferContradictsThePress(t *testing.T) {
	p := newPlay(t, Options{})
	p.readAs(transfer)
	p.readAs(goods)
	p.readAs(transfer, weak)
	p.readAs(goods, press)
	want(t, p.readAs(goods, press))
	d := p.readAs(goods, press)
	want(t, d, "raised check_press/- act (confirmed)")
	if c := d.Changes[0]; c.Rival != protocol.AdviceInk || c.SplittingCheck == "" {
		t.Errorf("%+v", c)
	}
}

func TestOnlyASeriesThatShowedItClearsIt(t *testing.T) {
	p := newPlay(t, Options{})
	p.readAs(goods, lines)
	p.readAs(goods, lines)
	for range 4 {
		want(t, p.readAs(transfer))
	}
	p.readAs(goods)
	want(t, p.readAs(goods), "cleared clean_head/C act (steady)")
}

func TestThePressAbsorbsTheInkThatOnlyTheGoodsShow(t *testing.T) {
	p := newPlay(t, Options{})
	p.readAs(goods, weak)
	want(t, p.readAs(goods, weak), "raised check_ink/C act (confirmed)")
	since := p.open[0].Since
	p.readAs(goods, press, weak)
	d := p.readAs(goods, press, weak)
	want(t, d, "raised check_press/- act (confirmed)", "absorbed check_ink/C act (explained)")
	if !d.Changes[0].Since.Equal(since) {
		t.Errorf("since %v, want the ink's %v", d.Changes[0].Since, since)
	}
	want(t, p.readAs(goods, press, weak))
	// Gone the press, the ink is still weak: it comes back.
	want(t, p.readAs(goods, weak))
	want(t, p.readAs(goods, weak), "raised check_ink/C act (confirmed)", "cleared check_press/- act (other_cause)")
}

func TestThePressDoesNotExplainWhatThePaperShowed(t *testing.T) {
	p := newPlay(t, Options{})
	p.readAs(transfer, weak)
	want(t, p.readAs(transfer, weak), "raised check_ink/C act (confirmed)")
	p.readAs(goods, press, weak)
	p.readAs(goods, press, weak)
	d := p.readAs(goods, press, weak)
	want(t, d, "raised check_press/- act (confirmed)")
	if len(d.Open) != 2 {
		t.Errorf("%+v", d.Open)
	}
}

func TestTheThirdAgreeingChartReplacesTheDoubt(t *testing.T) {
	p := newPlay(t, Options{})
	p.read(doubt)
	want(t, p.read(doubt), "raised remeasure/aaaaaaaaaaaa act (confirmed)")
	want(t, p.read(refit), "raised refit_profile/aaaaaaaaaaaa act (confirmed)", "absorbed remeasure/aaaaaaaaaaaa act (explained)")
}

func TestNeverRefitWhileAnEarlierCauseIsOpen(t *testing.T) {
	p := newPlay(t, Options{})
	p.readAs(transfer, lines)
	p.readAs(transfer, lines)
	for range 4 {
		want(t, p.readAs(goods, refit))
	}
	p.readAs(transfer)
	want(t, p.readAs(transfer), "cleared clean_head/C act (steady)")
	want(t, p.readAs(goods, refit), "raised refit_profile/aaaaaaaaaaaa act (confirmed)")
	// And an earlier cause that comes later takes it over.
	p.readAs(transfer, lines)
	want(t, p.readAs(transfer, lines), "raised clean_head/C act (confirmed)", "absorbed refit_profile/aaaaaaaaaaaa act (explained)")
}

func TestReadingOnePrintTwiceIsNoSecondPressing(t *testing.T) {
	p := newPlay(t, Options{})
	one := reading{print: "000412"}
	p.readAs(one, press)
	want(t, p.readAs(one, press))
	want(t, p.readAs(reading{print: "000413"}, press), "raised check_press/- act (confirmed)")
	// For a line it is: the print has it, whatever the instrument.
	p = newPlay(t, Options{})
	p.readAs(one, lines)
	want(t, p.readAs(one, lines), "raised clean_head/C act (confirmed)")
}

// TestOneNumberOnEverySheet is the shop that drew its chart once, with a number, and prints that file
// every morning: the number says nothing of the sheet, and neither alarms nor answers may wait for
// another one.
func TestOneNumberOnEverySheet(t *testing.T) {
	p := newPlay(t, Options{})
	same := reading{print: "000412"}
	for range 3 {
		p.pass(23 * time.Hour)
		p.readAs(reading{print: "000412", outcome: protocol.Learning, noBaseline: true})
	}
	p.pass(23 * time.Hour)
	p.readAs(same, press)
	want(t, p.readAs(same, press), "raised check_press/- act (confirmed)")
	p.did(protocol.DidPress, "")
	p.readAs(same)
	if got := outcomes(p); got != "press  check_press/- helped" {
		t.Errorf("%q", got)
	}
	// Read again and again on one day, a sheet stays one sheet.
	p = newPlay(t, Options{})
	for range 5 {
		want(t, p.readAs(same, press))
	}
	// Nor do two days make it many.
	p.pass(24 * time.Hour)
	want(t, p.readAs(same, press))
}

func TestANewBaselineBeginsTheWindowAnew(t *testing.T) {
	p := newPlay(t, Options{})
	p.read(weak)
	want(t, p.readAs(reading{baseline: "baseline-2"}, weak))
	want(t, p.readAs(reading{baseline: "baseline-2"}, weak), "raised check_ink/C act (confirmed)")
}

func TestAnUnlikelyRivalRaisesNothing(t *testing.T) {
	p := newPlay(t, Options{})
	for range 3 {
		p.pass(time.Hour)
		v := p.verdict(reading{}, lines, seen{protocol.AdviceInk, "K", protocol.LevelAct, 2})
		v.Findings[1].Likelihood = 0.1
		p.step(Input{Verdict: v})
	}
	if len(p.open) != 1 || p.open[0].Advice != protocol.AdviceClean {
		t.Errorf("%+v", p.open)
	}
}

func TestOldSeriesAreForgotten(t *testing.T) {
	p := newPlay(t, Options{NoLearnedSilence: true})
	p.readAs(reading{series: "dddddddddddd"})
	p.readAs(reading{series: "eeeeeeeeeeee"}, lines)
	p.readAs(reading{series: "eeeeeeeeeeee"}, lines)
	p.now, p.wake = p.now.Add(200*day), time.Time{}
	p.read()
	if len(p.state.Series) != 2 || p.state.Series["eeeeeeeeeeee"] == nil {
		t.Errorf("%+v; want the open alert's series and the new one", p.state.Series)
	}
}
