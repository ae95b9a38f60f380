package main

import (
	"strings"
	"testing"
)

// Which lines matter is the shop's choice, and one that makes no sense is refused rather than replaced.
func TestLinesSettings(t *testing.T) {
	c, err := configured(t, "[lines]\nviewing_mm = 2500\nmatters_de00 = 0.5\nmatters_loss = 0.8\nstop_visibility = 6\n")
	if err != nil {
		t.Fatal(err)
	}
	if o := c.judgeOptions().Lines; o.ViewingMM != 2500 || o.MattersDE00 != 0.5 || o.MattersLoss != 0.8 || o.StopVisibility != 6 {
		t.Errorf("%+v", o)
	}
	if c, err = configured(t, ""); err != nil || c.judgeOptions().Lines.ViewingMM != 0 {
		t.Errorf("the default is set here: %v", err)
	}
	for _, bad := range []string{"viewing_mm = -400", "stop_visibility = nan", "matters_de00 = inf", "viewing = 400"} {
		if _, err := configured(t, "[lines]\n"+bad+"\n"); err == nil || !strings.Contains(err.Error(), strings.Fields(bad)[0]) {
			t.Errorf("%s: %v", bad, err)
		}
	}
}
