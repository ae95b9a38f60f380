package history

import (
	"slices"
	"testing"
)

// The distances of kitten and sitting, and of saturday and sunday, are the usual examples of
// textbooks: 3 and 3 (from memory).
func TestEdits(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{{"kitten", "sitting", 3}, {"saturday", "sunday", 3}, {"", "abc", 3}, {"abc", "", 3}, {"heron", "heron", 0}, {"heorn", "heron", 2}, {"a", "b", 1}} {
		if got := edits(c.a, c.b); got != c.want {
			t.Errorf("%q to %q: %d, want %d", c.a, c.b, got, c.want)
		}
	}
}

func TestNearest(t *testing.T) {
	names := []string{"quay", "heron", "plover", "dunlin", "heron", "heron-2", "p1", "p2", "p3", "p4"}
	for want, near := range map[string][]string{
		"herom": {"heron"}, "heorn": {"heron"}, "her": {"heron", "heron-2"}, "plovers": {"plover"}, "dnulin": {"dunlin"}, "swift": nil, "p9": {"p1", "p2", "p3"}, "xxxxxxxxxxxxxxxxx": nil,
	} {
		if got := nearest(want, names); !slices.Equal(got, near) {
			t.Errorf("%s: %q, want %q", want, got, near)
		}
	}
}
