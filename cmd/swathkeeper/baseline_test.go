package main

import (
	"strings"
	"testing"

	"swathkeeper/protocol"
)

// What is doubted in a baseline is said when it is accepted, where the person stands who can still learn again.
func TestAcceptSaysItsDoubts(t *testing.T) {
	var out strings.Builder
	printAnswer(&out, &protocol.Record{Text: "heron: baseline in force: full", Baseline: &protocol.BaselineRecord{Do: protocol.BaselineAccept, Warnings: []string{"the printer drifted", "reading 3 lies apart"}}})
	printAnswer(&out, &protocol.Record{Text: "noted"})
	if want := "heron: baseline in force: full\nnote: the printer drifted\nnote: reading 3 lies apart\nnoted\n"; out.String() != want {
		t.Errorf("%q, want %q", out.String(), want)
	}
}
