package main

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// pageTable is a table of the page, with where it stands.
type pageTable struct {
	section, part string // headings
	before        string // the paragraph before it
	head          []string
	rows          [][]string
}

// pageTables reads the tables of a page.
func pageTables(text string) []pageTable {
	var out []pageTable
	var section, part, before string
	inside := false
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		switch {
		case strings.HasPrefix(line, "### "):
			part = line[4:]
		case strings.HasPrefix(line, "## "):
			section, part = line[3:], ""
		}
		if !strings.HasPrefix(line, "|") {
			inside = false
			if line != "" {
				before = line
			}
			continue
		}
		cells := strings.Split(strings.Trim(line, "|"), "|")
		for i := range cells {
			cells[i] = strings.Trim(strings.TrimSpace(cells[i]), "*")
		}
		switch {
		case !inside:
			out = append(out, pageTable{section: section, part: part, before: before, head: cells})
			inside = true
		case strings.HasPrefix(cells[0], "---"):
		default:
			t := &out[len(out)-1]
			t.rows = append(t.rows, cells)
		}
	}
	return out
}

// goal is one line of what the goals came to: a figure of some rows of a table beside its bound.
type goal struct {
	question      string
	section, part string
	before        string            // what the paragraph before the table begins with; empty: any
	rows          map[string]string // column to pattern, of the rows that count
	column        string
	low           bool // the smaller the better; the worst row counts
	bound         float64
	text          string // the goal in words
	none          float64
	words         *regexp.Regexp // the figure is in a sentence of the section, not in a table
}

var goals = []goal{
	{question: "False `act`, steady press, baseline of 10: one reading in", section: "Colour", part: "In control", rows: map[string]string{"world": "steady", "baseline": "^10$"}, column: "one in", bound: 740, text: "740", none: math.Inf(1)},
	{question: "False `act`, varied physics, baseline of 10, sd 0.5 %: one in", section: "Colour", part: "In control", rows: map[string]string{"world": "varied", "baseline": "^10$", "strength sd, %": `^0\.5$`}, column: "one in", bound: 740, text: "740", none: math.Inf(1)},
	{question: "False `act`, varied physics, baseline of 10, sd 1 %: one in", section: "Colour", part: "In control", rows: map[string]string{"world": "varied", "baseline": "^10$", "strength sd, %": "^1$"}, column: "one in", bound: 740, text: "740", none: math.Inf(1)},
	{question: "False `act`, varied physics, baseline of 10, sd 2 %: one in", section: "Colour", part: "In control", rows: map[string]string{"world": "varied", "baseline": "^10$", "strength sd, %": "^2$"}, column: "one in", bound: 740, text: "740", none: math.Inf(1)},
	{question: "False `act`, any world, baseline of 5, worst: one in", section: "Colour", part: "In control", rows: map[string]string{"baseline": "^5$"}, column: "one in", bound: 400, text: "400", none: math.Inf(1)},
	{question: "False `act`, any world, baseline of 3, worst: one in", section: "Colour", part: "In control", rows: map[string]string{"baseline": "^3$"}, column: "one in", bound: math.Inf(1), text: "none", none: math.Inf(1)},
	{question: "An ink 5 % weak found within 3 readings, steady press, sd up to 1 %, worst", section: "Colour", part: "One weak ink", rows: map[string]string{"world": "steady", "strength sd, %": `^(0\.5|1)$`}, column: "within 3", bound: 95, text: "95 %"},
	{question: "The same, varied physics", section: "Colour", part: "One weak ink", rows: map[string]string{"world": "varied", "strength sd, %": `^(0\.5|1)$`}, column: "within 3", bound: 95, text: "95 %"},
	{question: "The right ink of those found, worst", section: "Colour", part: "One weak ink", rows: map[string]string{"strength sd, %": `^(0\.5|1)$`}, column: "right ink of those", bound: 95, text: "95 %"},
	{question: "A dye 5 nm off is called `check_ink`, cyan and magenta, worst", section: "Colour", part: "Another ink hue", rows: map[string]string{"ink": "^[CM]$"}, column: "`check_ink` of that ink, of all", bound: 95, text: "95 %"},
	{question: "The same, yellow, worst", section: "Colour", part: "Another ink hue", rows: map[string]string{"ink": "^Y$"}, column: "`check_ink` of that ink, of all", bound: 95, text: "95 %"},
	{question: "The right cause first, steady press, mean of the causes, worst", section: "Colour", part: "Which cause", before: "Steady", rows: map[string]string{"cause": "^mean$"}, column: "right", bound: 95, text: "95 %"},
	{question: "The same, varied physics", section: "Colour", part: "Which cause", before: "Varied", rows: map[string]string{"cause": "^mean$"}, column: "right", bound: 95, text: "95 %"},
	{question: "The cause told worst, any world", section: "Colour", part: "Which cause", column: "right", bound: 95, text: "95 %"},
	{question: "Moves bring the chart back, one or two inks or another preset, median over a chart in control, worst", section: "Colour", part: "Moves", rows: map[string]string{"fault": "^[^m]"}, column: "after, median", low: true, bound: 1.3, text: "1.3"},
	{question: "The same, mixed drift, which no percentages undo", section: "Colour", part: "Moves", rows: map[string]string{"fault": "^mixed"}, column: "after, median", low: true, bound: 1.3, text: "1.3"},
	{question: "A repeating line, no texture: contrast needed over the ideal observer's", section: "Lines", part: "How faint a line is found", rows: map[string]string{"search": "^repeating, no"}, column: "ratio (95 %)", low: true, bound: 1.15, text: "1.15"},
	{question: "A repeating line on knit", section: "Lines", part: "How faint a line is found", rows: map[string]string{"search": "^repeating, knit"}, column: "ratio (95 %)", low: true, bound: 1.3, text: "1.30"},
	{question: "One line anywhere, worst", section: "Lines", part: "How faint a line is found", rows: map[string]string{"search": "^one line"}, column: "ratio (95 %)", low: true, bound: 1.3, text: "1.30"},
	{question: "False alarms of lines: one reading in", section: "Lines", part: "False alarms", column: "rate", bound: 740, text: "740", none: math.Inf(1)},
	{question: "A dead nozzle's line is called one ink's, worst", section: "Lines", part: "What it is, where, and which nozzle", column: "dropout called one ink's", bound: 98, text: "98 %"},
	{question: "A seam is called feed, worst", section: "Lines", part: "What it is, where, and which nozzle", column: "seam called feed", bound: 98, text: "98 %"},
	{question: "The right ink, worst", section: "Lines", part: "What it is, where, and which nozzle", column: "right ink", bound: 99, text: "99 %"},
	{question: "Where a line is: error over the least possible, worst", section: "Lines", part: "What it is, where, and which nozzle", column: "position over bound", low: true, bound: 1.2, text: "1.2"},
	{question: "The true nozzle is among those named, worst", section: "Lines", part: "What it is, where, and which nozzle", column: "nozzle among candidates (median number)", bound: 95, text: "95 %"},
	{question: "Settings found after 4 prints, aim from screen or table", section: "Settings", rows: map[string]string{"drivers": "^all$", "aim": "^screen"}, column: "after 4", bound: 90, text: "90 %"},
	{question: "Settings found after 6 prints, aim from screen or table", section: "Settings", rows: map[string]string{"drivers": "^all$", "aim": "^screen"}, column: "after 6", bound: 99, text: "99 %"},
	{question: "Settings found after 4 prints, aim an earlier batch", section: "Settings", rows: map[string]string{"drivers": "^all$", "aim": "^earlier"}, column: "after 4", bound: 90, text: "90 %"},
	{question: "Settings found after 6 prints, aim an earlier batch", section: "Settings", rows: map[string]string{"drivers": "^all$", "aim": "^earlier"}, column: "after 6", bound: 99, text: "99 %"},
	{question: "Worker over a bare loop, patches only, waiting for the disk", section: "Speed", rows: map[string]string{"run": "^400 patches, sync"}, column: "ratio", bound: 0.7, text: "0.7"},
	{question: "The same with traces", section: "Speed", rows: map[string]string{"run": "^400 patches . 8 traces, sync"}, column: "ratio", bound: 0.4, text: "0.4"},
	{question: "One verdict on 400 patches and 8 traces, one core, ms", section: "Speed", words: regexp.MustCompile(`One verdict .*: ([\d.]+) ms`), low: true, bound: 1, text: "1.0"},
	{question: "Reading sent to record stored, 20 readings a second, median, ms", section: "Speed", words: regexp.MustCompile(`record stored .*median ([\d.]+) ms`), low: true, bound: 5, text: "5"},
	{question: "The same, 99 of 100, ms", section: "Speed", words: regexp.MustCompile(`99 of 100 below ([\d.]+) ms`), low: true, bound: 25, text: "25"},
	{question: "Idle, MB", section: "Speed", words: regexp.MustCompile(`Idle, .*: ([\d.]+) MB`), low: true, bound: 64, text: "64"},
}

var firstNumber = regexp.MustCompile(`(\d+(?:\.\d+)?)`)

// number reads the figure of a cell: the first number, or the one after "1 in".
func (g *goal) number(cell string) (float64, bool) {
	if cell == "none" {
		return g.none, g.none != 0
	}
	m := firstNumber.FindString(strings.TrimPrefix(cell, "1 in "))
	v, err := strconv.ParseFloat(m, 64)
	return v, err == nil
}

// worst looks for the worst figure of the goal's rows, as the cell that holds it, or for its sentence.
func (g *goal) worst(text string, tables []pageTable) (cell string, v float64, found bool) {
	if g.words != nil {
		_, section, _ := strings.Cut(text, "\n## "+g.section+"\n")
		section, _, _ = strings.Cut(section, "\n## ")
		if m := g.words.FindStringSubmatch(section); m != nil {
			v, err := strconv.ParseFloat(m[1], 64)
			return m[1], v, err == nil
		}
		return "", 0, false
	}
	for _, t := range tables {
		col := slices.Index(t.head, g.column)
		if t.section != g.section || t.part != g.part || !strings.HasPrefix(t.before, g.before) || col < 0 {
			continue
		}
		for _, row := range t.rows {
			if len(row) <= col || !g.counts(t.head, row) {
				continue
			}
			x, ok := g.number(row[col])
			if ok && (!found || g.low == (x > v)) {
				cell, v, found = row[col], x, true
			}
		}
	}
	return strings.TrimPrefix(cell, "1 in "), v, found
}

func (g *goal) counts(head, row []string) bool {
	for column, pattern := range g.rows {
		at := slices.Index(head, column)
		if at < 0 || at >= len(row) || !regexp.MustCompile(pattern).MatchString(row[at]) {
			return false
		}
	}
	return true
}

func (g *goal) met(v float64) bool {
	if g.low {
		return v <= g.bound
	}
	return v >= g.bound
}

// inShort is the page's table of goals, read from its own tables, so that it says what they say. What a
// page does not hold (yet) is left out; empty where it holds none.
func inShort(body string) string {
	tables := pageTables(body)
	var b strings.Builder
	met, missed := 0, 0
	for i := range goals {
		g := &goals[i]
		cell, v, ok := g.worst(body, tables)
		if !ok {
			continue
		}
		word := "met"
		if met++; !g.met(v) {
			met--
			missed++
			word = "**missed**"
		}
		fmt.Fprintf(&b, "| %s | %s | %s | %s |\n", g.question, g.text, cell, word)
	}
	if met+missed == 0 {
		return ""
	}
	return fmt.Sprintf("## In short\n\nThe goals that were set before, and what came of them: %d met, %d missed. Where several rows of a table belong to one goal the worst one counts.\n"+
		"What limits the ones that were missed stands in their sections, where it is known.\n\n| question | goal | came out | |\n|---|---|---|---|\n%s", met, missed, b.String())
}
