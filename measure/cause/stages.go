package cause

import (
	"math"

	"swathkeeper/measure/drift"
)

// stages is what the other stage of the printer's prints says: weak on both is the printer, weak
// only on the goods is the press or the goods.
func stages(e *Evidence, c *candidate) float64 {
	o := e.Other
	if o == nil || o.Stage == e.Stage || e.Stage == StageDirect {
		return 0
	}
	w := factWeight
	if !o.SamePrint {
		w = doubtWeight
	}
	printer := c.advice == CheckInk || c.advice == CheckSettings || c.advice == RefitProfile
	press := c.advice == CheckPress || c.advice == CheckMedia
	both := o.Significant && (c.advice != CheckInk || shows(o, e.Drift, c.channel))
	switch {
	case printer && both, press && !o.Significant:
		return w
	case printer && !o.Significant, press && o.Significant:
		return -w
	}
	return 0
}

// shows says whether the other stage saw the channel change the same way.
func shows(o *OtherStage, r *drift.Result, channel string) bool {
	if len(o.Strength) == 0 {
		return true
	}
	here, there := channelOf(r.Channels, channel), channelOf(o.Strength, channel)
	return here.StrengthPercent*there.StrengthPercent > 0 && math.Abs(there.StrengthPercent) > math.Abs(here.StrengthPercent)/2
}

// otherSide makes a cause less sure that the other stage speaks against, and names what it speaks for: figures
// of one stage alone may leave no other cause to weigh.
func otherSide(e *Evidence, f *Finding, top candidate) {
	if stages(e, &top) >= 0 {
		return
	}
	which := "of the same print"
	if !e.Other.SamePrint {
		which = "read lately"
	}
	f.Likelihood = min(f.Likelihood, 0.6)
	printer := top.advice != CheckPress && top.advice != CheckMedia
	switch {
	case e.Stage == StageTransfer:
		f.Why += "; but the goods " + which + " are as usual"
		f.Rival, f.RivalChannel = Remeasure, ""
	case printer:
		f.Why += "; but the transfer paper " + which + " is as usual"
		f.Rival, f.RivalChannel = CheckPress, ""
	default:
		f.Why += "; but the transfer paper " + which + " is off as well"
		if f.Rival == "" || f.Rival == CheckPress || f.Rival == CheckMedia {
			f.Rival, f.RivalChannel = CheckInk, largest(e.Other.Strength)
		}
	}
	if f.SplittingCheck = splitting(f.Advice, f.Rival); e.Other.SamePrint && f.Rival == CheckPress {
		f.SplittingCheck = "press a second transfer as usual and read it" // the paper has been read
	}
}

// largest is the channel that changed most; "" for none.
func largest(of []drift.Channel) string {
	name, most := "", 0.0
	for _, c := range of {
		if s := math.Abs(c.StrengthPercent); s > most {
			name, most = c.Channel, s
		}
	}
	return name
}
