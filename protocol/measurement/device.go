package measurement

import (
	"fmt"
	"sort"
	"strconv"
	"strings"
)

// devSets is one device space: which channel stands in which column.
type devSets struct {
	space    string
	channels []devChannel
}

type devChannel struct {
	name   string
	index  int // place within the space
	column int
}

// deviceName reads a device field: CMYK_C, RGB_R, CMY_M, GRAY_K, CMYKOG_O (one
// letter for each channel, as the space is called) or 6CLR_1 (by number).
func deviceName(name string) (space, channel string, index int, ok bool) {
	space, channel, found := strings.Cut(name, "_")
	if !found || space == "" || channel == "" {
		return "", "", 0, false
	}
	if n, clr := strings.CutSuffix(space, "CLR"); clr {
		count, err := strconv.Atoi(n)
		i, err2 := strconv.Atoi(channel)
		if err != nil || err2 != nil || count < 1 || count > 15 || i < 1 || i > count {
			return "", "", 0, false
		}
		return space, "ink-" + channel, i - 1, true
	}
	switch space {
	case "RGB", "CMY", "CMYK":
	case "GRAY", "GREY", "K":
		return "K", "K", 0, channel == "K"
	default: // more than four inks, called after them
		if len(space) < 5 || len(space) > 15 || !strings.HasPrefix(space, "CMYK") {
			return "", "", 0, false
		}
		for i, c := range space {
			if c < 'A' || c > 'Z' || strings.ContainsRune(space[:i], c) {
				return "", "", 0, false
			}
		}
	}
	index = strings.Index(space, channel)
	return space, channel, index, index >= 0 && len(channel) == 1
}

// addChannel files a device column under its space.
func addChannel(spaces []devSets, space, channel string, index, col int) ([]devSets, error) {
	for i := range spaces {
		if spaces[i].space != space {
			continue
		}
		for _, c := range spaces[i].channels {
			if c.index == index {
				return spaces, fmt.Errorf("twice")
			}
		}
		spaces[i].channels = append(spaces[i].channels, devChannel{channel, index, col})
		return spaces, nil
	}
	return append(spaces, devSets{space, []devChannel{{channel, index, col}}}), nil
}

// device takes the one complete device space of a table.
func (p *Plan) device(spaces []devSets, fields []Field) error {
	var take *devSets
	for i := range spaces {
		s := &spaces[i]
		want := len(s.space)
		if n, clr := strings.CutSuffix(s.space, "CLR"); clr {
			want, _ = strconv.Atoi(n)
		}
		if len(s.channels) < want {
			f := fields[s.channels[0].column]
			return fieldError(f, "give every channel, or none", "the device values are incomplete: %d of the %d channels of %s", len(s.channels), want, s.space)
		}
		if take != nil {
			// Both are the same print; the inks are nearer to it than the
			// driver's RGB.
			if take.space == "RGB" {
				take = s
			}
			continue
		}
		take = s
	}
	if take == nil {
		return nil
	}
	sort.Slice(take.channels, func(a, b int) bool { return take.channels[a].index < take.channels[b].index })
	for i, c := range take.channels {
		p.columns[c.column] = column{roleDevice, i}
		p.channels = append(p.channels, c.name)
	}
	p.rgb = take.space == "RGB"
	return nil
}

// DeviceFields are the field names of device channels, as NewPlan reads them:
// CMYK_C when the channels have one letter each, 6CLR_1 otherwise.
func DeviceFields(channels []string) []string {
	space := strings.Join(channels, "")
	letters := true
	for i, c := range channels {
		name := c
		if space != "K" {
			name = space + "_" + c
		} else {
			name = "K_K"
		}
		s, ch, index, ok := deviceName(name)
		letters = letters && ok && index == i && ch == c && (s == space)
	}
	out := make([]string, len(channels))
	for i, c := range channels {
		switch {
		case !letters:
			out[i] = fmt.Sprintf("%dCLR_%d", len(channels), i+1)
		case space == "K":
			out[i] = "GRAY_K"
		default:
			out[i] = space + "_" + c
		}
	}
	return out
}

// FieldNames are the field names that a table of a file needs, in the order
// id, name, device values, XYZ, Lab, spectra.
func FieldNames(f *File) []string {
	fields := []string{"SAMPLE_ID"}
	if f.Names != nil {
		fields = append(fields, "SAMPLE_NAME")
	}
	if f.Device != nil {
		fields = append(fields, DeviceFields(f.Channels)...)
	}
	if f.XYZ != nil {
		fields = append(fields, "XYZ_X", "XYZ_Y", "XYZ_Z")
	}
	if f.Lab != nil {
		fields = append(fields, "LAB_L", "LAB_A", "LAB_B")
	}
	if s := f.Spectra; s != nil {
		// SPECTRAL_DEC says in the name that these are factors, not percent.
		for k := range s.Values[0] {
			fields = append(fields, "SPECTRAL_DEC"+strconv.FormatFloat(s.StartNM+float64(k)*s.StepNM, 'f', -1, 64))
		}
	}
	return fields
}
