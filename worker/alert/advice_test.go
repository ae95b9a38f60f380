package alert

import (
	"regexp"
	"strings"
	"testing"

	"swathkeeper/protocol"
)

// A command that a step names can be typed as it stands: it says which printer, which ink or which
// alert it is about.
func TestCommandsAreWhole(t *testing.T) {
	command := regexp.MustCompile("`swathkeeper ([^`]*)`")
	n := 0
	for advice := range plans {
		for _, channel := range []string{"", "M"} {
			for _, raised := range []string{ReasonConfirmed, ReasonNoEffect} {
				key := "quay/heron/" + advice + "/" + or(channel, "-")
				a := protocol.Alert{Key: key, Advice: advice, Channel: channel, Raised: raised}
				for _, s := range PlanOf(a).Steps {
					if strings.Contains(command.ReplaceAllString(s, ""), "swathkeeper") {
						t.Errorf("%s: a command stands without marks around it: %s", advice, s)
					}
					for _, m := range command.FindAllStringSubmatch(s, -1) {
						n++
						if m[1] == "doctor" || m[1] == "alert close "+key {
							continue
						}
						if !strings.Contains(m[1], " --printer heron") {
							t.Errorf("%s: %q does not say which printer", advice, m[0])
						}
						ofInk := strings.Contains(m[1], "add clean") || strings.Contains(m[1], "add ink")
						if ofInk && channel != "" && !strings.HasSuffix(m[1], " --channel M") {
							t.Errorf("%s: %q does not say which ink", advice, m[0])
						}
					}
				}
			}
		}
	}
	if n < 10 {
		t.Errorf("only %d commands were looked at", n)
	}
}
