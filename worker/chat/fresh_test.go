package chat

import (
	"errors"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/alert"
	"swathkeeper/worker/handclock"
)

// What was told at night must be told as over in the morning, also where it began as something that the
// quiet hours had held back: production that was stopped at night would stand still for nothing.
func TestWhatWasToldAtNightIsToldAsOver(t *testing.T) {
	b := newBench(t)
	s := newFakeService(t)
	night := time.Date(2026, 3, 4, 22, 0, 0, 0, time.UTC)
	clock := handclock.New(night)
	b.start(Options{Clock: clock, Targets: []Target{{Name: "phone", URL: s.URL, AllowLocal: true, Quiet: "21:00-06:00"}}})
	act := keyed(raised(1), "heron", "act", protocol.ChangeRaised)
	b.record("heron", []protocol.Alert{alertOf(act)}, act)
	stop := keyed(act, "heron", "stop", protocol.ChangeWorse)
	b.record("heron", []protocol.Alert{alertOf(stop)}, stop)
	if m := s.message(t); !strings.HasPrefix(m.Title, "STOP heron (quay): worse") {
		t.Fatalf("%+v", m)
	}
	b.record("heron", nil, keyed(act, "heron", "stop", protocol.ChangeCleared))
	b.settled("phone")
	s.none(t)
	clock.Set(night.Add(8 * time.Hour))
	if m := s.message(t); !strings.Contains(m.Text, "Over: heron (quay)") {
		t.Errorf("%s", m.Text)
	}
}

// A number of readings stands where it says how well the raising is founded, and not behind words that
// are about something else.
func TestTheNumberOfReadingsStandsWhereItBelongs(t *testing.T) {
	c := raised(1)
	c.Readings = []string{"a", "b"}
	c.Change, c.Reason = protocol.ChangeReminder, alert.ReasonStillOpen
	for _, why := range []string{
		"The last reading did not show it; one more like that, and it is over.",
		"Cyan prints 7 % weak. Another reading says: heat press not as usual.",
	} {
		c.Why = why
		if text := renderChange("quay", "heron", c, nil, morning, morning, time.UTC); !strings.Contains(text, why) {
			t.Errorf("%s", text)
		}
	}
}

// A service's answer is shortened only after the secrets were taken out of it: half a secret is one too.
func TestNoHalfASecretGetsOut(t *testing.T) {
	const secret = "Zq97abcdefghijklmnopqrstuvwxyz0123456789"
	for _, form := range []string{"slack+%s/services/T0/B0/" + secret, "%s/" + secret} {
		for lead := range 120 {
			s := newFakeService(t, func(w http.ResponseWriter, r *http.Request) {
				w.WriteHeader(http.StatusNotFound)
				_, _ = fmt.Fprintf(w, "%s %s", strings.Repeat("x", lead), r.URL.Path)
			})
			target := Target{Name: "phone", URL: fmt.Sprintf(form, s.URL), AllowLocal: true}
			err := Test(t.Context(), target, Options{})
			if err == nil {
				t.Fatal("delivered")
			}
			if strings.Contains(err.Error(), "Zq97") {
				t.Fatalf("%v", err)
			}
			s.Close()
		}
	}
}

// Readings that cannot be used say nothing about the goods: nobody has looked at them.
func TestUnusableReadingsMakeNoGoodsSuspect(t *testing.T) {
	c := raised(1)
	c.Advice, c.Channel, c.Raised, c.Reason = protocol.AdviceRemeasure, "", alert.ReasonUnusable, alert.ReasonUnusable
	c.LastGood = &protocol.LastGood{Reading: "r", At: morning.Add(-time.Hour)}
	text := renderChange("quay", "heron", c, nil, morning, morning, time.UTC)
	if strings.Contains(text, "Suspect") || !strings.Contains(text, "Unwatched since Wed 4 Mar 06:00.") {
		t.Errorf("%s", text)
	}
	c.Change, c.Reason = protocol.ChangeCleared, alert.ReasonReadable
	if text := renderChange("quay", "heron", c, nil, morning, morning, time.UTC); strings.Contains(text, "Suspect") {
		t.Errorf("%s", text)
	}
}

// How sure it is, is worth more than the end of a long list of what was seen.
func TestHowSureIsNotCrowdedOut(t *testing.T) {
	p := alert.PlanFor(protocol.AdvicePress, "")
	c := protocol.Change{
		Key: "quay/heron/check_press/-", Advice: protocol.AdvicePress, Level: protocol.LevelStop, Change: protocol.ChangeRaised, Reason: "confirmed",
		Since: morning, LastGood: &protocol.LastGood{Reading: "r", At: morning}, Readings: []string{"a", "b"}, Likelihood: 0.95, Steps: p.Steps, Cautions: p.Cautions,
		Why: "all inks are down together, -21 to -15 %, and most where most ink lies: as when the press is too cold, too short or too light; " +
			"house colours off: pennant red by 2.7 (tolerance 2.0), quay blue by 2.4 (tolerance 2.0)",
	}
	text := renderChange("quay", "heron", c, nil, morning, morning, time.UTC)
	if !strings.Contains(text, "\nSure: nearly certain (95 %).\n") || !strings.Contains(text, "Seen: All inks are down together, -21 to -15 %") {
		t.Errorf("%s", text)
	}
}

// One who has left the firm does not keep the others from being told; that he was not is recorded. RFC
// 5321, 3.3: a refused recipient does not end the transaction.
func TestOneRefusedRecipientKeepsNobodyElseUntold(t *testing.T) {
	addr, got := mailServer(t, map[string]string{"RCPT TO:<a@quay.example>": "550 no such mailbox"})
	err := sendMail(t, addr, nastyMessage(), time.Minute)
	select {
	case <-got:
	default:
		t.Fatalf("nobody was told: %v", err)
	}
	var e *sendError
	if !errors.As(err, &e) || e.what != GiveUp || !strings.HasPrefix(e.text, "1 of 2 recipients was refused, the rest were told: the mail server answered 550") {
		t.Errorf("%v", err)
	}
}

// What was seen of a cause that is gone is told as gone.
func TestWhatIsGoneIsToldAsGone(t *testing.T) {
	c := raised(1)
	c.Change, c.Reason = protocol.ChangeCleared, alert.ReasonOtherCause
	if text := renderChange("quay", "heron", c, nil, morning, morning, time.UTC); !strings.Contains(text, "\nIt was: Message number 1.") {
		t.Errorf("%s", text)
	}
}
