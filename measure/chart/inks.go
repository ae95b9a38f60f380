package chart

import (
	"fmt"
	"strings"
)

// inkName is the name of a channel's ink in a file: the process colours have set names in PDF
// and TIFF (ISO 32000-1, 8.6.6.4), others keep the shop's.
func inkName(channel string) string {
	switch channel {
	case "C":
		return "Cyan"
	case "M":
		return "Magenta"
	case "Y":
		return "Yellow"
	case "K":
		return "Black"
	}
	return channel
}

// look is a rough C, M, Y, K equivalent of an ink, for showing a chart on a screen only; a
// printer with these inks never uses it.
func look(channel string) [4]float64 {
	c := strings.ToUpper(channel)
	has := func(words ...string) bool {
		for _, w := range words {
			if c == w || len(w) > 2 && strings.Contains(c, w) {
				return true
			}
		}
		return false
	}
	switch {
	case has("LC", "LIGHT CYAN"):
		return [4]float64{0.4, 0, 0, 0}
	case has("LM", "LIGHT MAGENTA"):
		return [4]float64{0, 0.4, 0, 0}
	case has("LK", "GREY", "GRAY", "LIGHT BLACK"):
		return [4]float64{0, 0, 0, 0.4}
	case has("C", "CYAN", "TURQUOISE"):
		return [4]float64{1, 0, 0, 0}
	case has("M", "MAGENTA", "PINK"):
		return [4]float64{0, 1, 0, 0}
	case has("Y", "YELLOW"):
		return [4]float64{0, 0, 1, 0}
	case has("K", "BLACK"):
		return [4]float64{0, 0, 0, 1}
	case has("O", "OR", "ORANGE"):
		return [4]float64{0, 0.55, 1, 0}
	case has("R", "RED"):
		return [4]float64{0, 1, 1, 0}
	case has("G", "GREEN"):
		return [4]float64{1, 0, 1, 0}
	case has("B", "BLUE"):
		return [4]float64{1, 0.7, 0, 0}
	case has("V", "VIOLET", "PURPLE"):
		return [4]float64{0.8, 1, 0, 0}
	case has("W", "WHITE", "CLEAR", "GLOSS"):
		return [4]float64{}
	}
	return [4]float64{0, 0, 0, 0.5}
}

// tintTransform is a calculator function (ISO 32000-1, 7.10.5) from the inks to the sums of
// their looks in C, M, Y, K; the function's range clips them.
func tintTransform(channels []string) string {
	n := len(channels)
	var b strings.Builder
	b.WriteString("{")
	for out := range 4 {
		b.WriteString(" 0")
		for i, c := range channels {
			if k := look(c)[out]; k > 0 {
				// The stack holds n inks, the outputs so far, and this sum.
				fmt.Fprintf(&b, " %d index %s mul add", n-1-i+out+1, num(k))
			}
		}
	}
	fmt.Fprintf(&b, " %d 4 roll", n+4)
	b.WriteString(strings.Repeat(" pop", n))
	b.WriteString(" }")
	return b.String()
}
