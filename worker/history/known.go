package history

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/worker/bus"
)

// Known refuses a site or a printer of which there is no record, and names those that are spelt
// nearly so. Empty names match all.
func Known(ctx context.Context, js jetstream.JetStream, site, printer string) error {
	if site == "" && printer == "" {
		return nil
	}
	records, err := bus.OpenRecords(ctx, js)
	if err != nil {
		return err
	}
	all, err := records.Printers(ctx)
	if err != nil {
		return err
	}
	if slices.ContainsFunc(all, func(p [2]string) bool {
		return (site == "" || p[0] == site) && (printer == "" || p[1] == printer)
	}) {
		return nil
	}
	what, want := "printer", site+"/"+printer
	switch {
	case printer == "":
		what, want = "site", site
	case site == "":
		want = printer
	}
	name := func(p [2]string) string {
		switch {
		case printer == "":
			return p[0]
		case site == "":
			return p[1]
		}
		return p[0] + "/" + p[1]
	}
	var names []string
	for _, p := range all {
		names = append(names, name(p))
	}
	if near := nearest(want, names); len(near) > 0 {
		return fmt.Errorf("no such %s is known: %s; is it %s? `swathkeeper printers` lists all", what, want, strings.Join(near, " or "))
	}
	return fmt.Errorf("no such %s is known: %s; `swathkeeper printers` lists all", what, want)
}

// nearNamed is how many names are offered in the place of a wrong one.
const nearNamed = 3

// nearest gives the names that differ least from want: at most by a third of its letters, or by a
// part left out at either end.
func nearest(want string, names []string) []string {
	names = slices.Clone(names)
	slices.Sort(names)
	names = slices.Compact(names)
	far := func(name string) int {
		if len(want) > 2 && (strings.Contains(name, want) || strings.Contains(want, name)) {
			return 1
		}
		return edits(want, name)
	}
	names = slices.DeleteFunc(names, func(n string) bool { return far(n) > max(1, (len(want)+1)/3) })
	slices.SortStableFunc(names, func(a, b string) int { return cmp.Compare(far(a), far(b)) })
	return names[:min(len(names), nearNamed)]
}

// edits is how many letters must be put in, left out or changed to make b of a (Levenshtein 1966,
// by the usual table of which only one row is kept).
func edits(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		left := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := left
			if a[i] != b[j] {
				change++
			}
			left = row[j+1]
			row[j+1] = min(change, row[j]+1, left+1)
		}
	}
	return row[len(b)]
}
