package station

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"swathkeeper/protocol"
	"swathkeeper/worker/limited"
)

// What a file cannot know comes, nearest first, from
//
//   - a sidecar: NAME.toml beside a file NAME or NAME.txt,
//   - a folder.toml in the file's folder or one above it, up to the watched one,
//   - the names of the folders between the watched one and the file: they stand for site, printer,
//     media, preset and stage, in this order, without those that the watch was started with,
//   - what the watch was started with.

// FolderFile is the name of the file that says what all files of a folder have in common.
const FolderFile = "folder.toml"

// sidecar is the content of a sidecar or a folder file.
type sidecar struct {
	Site, Printer, Station string
	Media, Preset          string
	Stage, Path            string
	Chart                  string
	Instrument             string
	Mode                   string
	Print                  string
}

// over fills what is empty in f from below.
func (f Fill) over(below Fill) Fill {
	for _, p := range []struct {
		to   *string
		from string
	}{
		{&f.Site, below.Site}, {&f.Printer, below.Printer}, {&f.Station, below.Station}, {&f.Media, below.Media}, {&f.Preset, below.Preset},
		{&f.Stage, below.Stage}, {&f.Path, below.Path}, {&f.Chart, below.Chart}, {&f.Kind, below.Kind}, {&f.Mode, below.Mode}, {&f.Print, below.Print},
	} {
		if *p.to == "" {
			*p.to = p.from
		}
	}
	return f
}

// fillFor gathers what is known about a file besides its content. rel is its path below root, and
// base what the watch was started with.
func fillFor(root, rel string, base Fill) (Fill, error) {
	fill := base
	dir := filepath.Dir(rel)
	if dir != "." {
		named, err := fromNames(strings.Split(filepath.ToSlash(dir), "/"), base)
		if err != nil {
			return fill, err
		}
		fill = named.over(fill)
	}
	// From the watched folder down, so that the nearest is laid on last.
	at := root
	for _, part := range append([]string{""}, strings.Split(filepath.ToSlash(dir), "/")...) {
		if part == "." {
			continue
		}
		at = filepath.Join(at, part)
		s, err := readSidecar(filepath.Join(at, FolderFile))
		if err != nil {
			return fill, err
		}
		fill = s.over(fill)
	}
	for _, name := range sidecarsOf(rel) {
		s, err := readSidecar(filepath.Join(root, name))
		if err != nil {
			return fill, err
		}
		fill = s.over(fill)
	}
	return fill, nil
}

// sidecarsOf are the names under which a file's sidecar may lie, the more exact one last.
func sidecarsOf(rel string) []string {
	bare := strings.TrimSuffix(rel, filepath.Ext(rel)) + ".toml"
	return []string{bare, rel + ".toml"}
}

// fromNames reads the names of folders.
func fromNames(names []string, base Fill) (Fill, error) {
	var f Fill
	type level struct {
		what  string
		to    *string
		given string
	}
	var open []level
	for _, l := range []level{{"site", &f.Site, base.Site}, {"printer", &f.Printer, base.Printer}, {"media", &f.Media, base.Media}, {"preset", &f.Preset, base.Preset}, {"stage", &f.Stage, base.Stage}} {
		if l.given == "" {
			open = append(open, l)
		}
	}
	for i, n := range names {
		if i >= len(open) {
			var words []string
			for _, l := range open {
				words = append(words, strings.ToUpper(l.what))
			}
			return f, fmt.Errorf("folder %s: the folders here are %s, and this one goes deeper", strings.Join(names[:i+1], "/"), strings.Join(words, "/"))
		}
		l := open[i]
		ok := protocol.IsToken(n)
		if l.what == "stage" {
			ok = n == protocol.StageTransfer || n == protocol.StagePressed || n == protocol.StageDirect
		}
		if !ok {
			want := "names are 1 to 63 of a-z, 0-9 and -"
			if l.what == "stage" {
				want = "a stage is transfer, pressed or direct"
			}
			return f, fmt.Errorf("folder %s: %q stands where the %s belongs; %s", strings.Join(names[:i+1], "/"), n, l.what, want)
		}
		*l.to = n
	}
	return f, nil
}

// readSidecar reads a sidecar; one that is not there says nothing.
func readSidecar(path string) (Fill, error) {
	b, err := limited.Read(path, limited.Small)
	if errors.Is(err, fs.ErrNotExist) {
		return Fill{}, nil
	}
	if err != nil {
		return Fill{}, err
	}
	var s sidecar
	d := toml.NewDecoder(bytes.NewReader(b)).DisallowUnknownFields()
	if err := d.Decode(&s); err != nil {
		var strict *toml.StrictMissingError
		if errors.As(err, &strict) && len(strict.Errors) > 0 {
			return Fill{}, fmt.Errorf("%s: %s is not known here; known are site, printer, station, media, preset, stage, path, chart, instrument, mode and print",
				path, strings.Join(strict.Errors[0].Key(), "."))
		}
		return Fill{}, fmt.Errorf("%s: %w", path, err)
	}
	f := Fill{Site: s.Site, Printer: s.Printer, Station: s.Station, Media: s.Media, Preset: s.Preset, Stage: s.Stage, Path: s.Path,
		Chart: s.Chart, Kind: s.Instrument, Mode: s.Mode, Print: s.Print}
	// A layout named in a sidecar lies beside it.
	if strings.ContainsAny(f.Chart, `/\`) || strings.HasSuffix(f.Chart, ".json") {
		if !filepath.IsAbs(f.Chart) {
			f.Chart = filepath.Join(filepath.Dir(path), f.Chart)
		}
	}
	return f, nil
}

// contradicts says where a reading says another thing than what is known of its file.
func contradicts(r *protocol.Reading, f Fill) error {
	for _, c := range []struct{ what, file, known string }{
		{"site", r.Site, f.Site}, {"printer", r.Printer, f.Printer}, {"media", r.Condition.Media, f.Media},
		{"preset", r.Condition.Preset, f.Preset}, {"stage", r.Condition.Stage, f.Stage},
	} {
		if c.known != "" && c.file != c.known {
			return fmt.Errorf("the file says %s %s, its folder or sidecar %s", c.what, c.file, c.known)
		}
	}
	return nil
}
