package station

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/google/uuid"

	"swathkeeper/measure/colour"
	"swathkeeper/protocol"
	"swathkeeper/protocol/exchange"
	"swathkeeper/protocol/measurement"
	"swathkeeper/worker/limited"
)

// Fill is what a measurement file cannot know. In a reading that comes as JSON, it fills only what
// is empty there.
type Fill struct {
	Site, Printer, Station string
	Media, Preset          string
	Stage, Path            string
	// Chart is an id, an id and edition joined by a dot, or the name of a layout file.
	Chart string
	Kind  string // of instrument; spectrophotometer when empty
	Mode  string // M0 to M3
	Print string // printed number
	Table int    // of a file with several tables, from 1; 0: the one that is clear
}

// maxLine bounds one reading of a .jsonl file: what the bus would take, and some room for spaces.
const maxLine = 4 << 20

// Item is one reading with where it came from.
type Item struct {
	Reading  *protocol.Reading
	File     *measurement.File // the measurement file that became the reading; nil for JSON
	Name     string            // of the file
	Warnings []string          // what the file's reader had to decide or doubts
}

// ReadFile gives the readings in a file: one as JSON, one a line in a .jsonl file, or the one that
// a measurement file becomes; for a folder, those of all its files. Errors name the file and, where
// there is one, the line.
func ReadFile(name string, fill Fill) ([]*protocol.Reading, error) {
	items, err := ReadItems(name, fill)
	if err != nil {
		return nil, err
	}
	out := make([]*protocol.Reading, len(items))
	for i := range items {
		out[i] = items[i].Reading
	}
	return out, nil
}

// ReadItems is ReadFile with what the reader of the file had to say.
func ReadItems(name string, fill Fill) ([]Item, error) {
	return ReadWithPictures(context.Background(), name, fill, nil)
}

// ReadWithPictures is ReadItems that takes scans of printed charts, too; with nil they are refused.
func ReadWithPictures(ctx context.Context, name string, fill Fill, p *Pictures) ([]Item, error) {
	names, err := Files(name)
	if err != nil {
		return nil, err
	}
	var out []Item
	for _, name := range names {
		items, err := readItems(ctx, name, fill, p)
		if err != nil {
			return nil, err
		}
		out = append(out, items...)
	}
	return out, nil
}

// Files are the files that a name stands for: itself, or the files of a folder in the order of
// their names, without hidden ones, sidecars and the folders in it.
func Files(name string) ([]string, error) {
	st, err := os.Stat(name)
	if err != nil || !st.IsDir() {
		return []string{name}, err
	}
	entries, err := os.ReadDir(name)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, e := range entries {
		if e.Type().IsRegular() && !strings.HasPrefix(e.Name(), ".") && !strings.HasSuffix(e.Name(), ".toml") {
			out = append(out, filepath.Join(name, e.Name()))
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("%s: no files in this folder", name)
	}
	return out, nil
}

func readItems(ctx context.Context, name string, fill Fill, p *Pictures) ([]Item, error) {
	if picture, err := FileIsPicture(name); err != nil {
		return nil, err
	} else if picture {
		r, s, err := p.Read(ctx, name, fill)
		if err != nil {
			return nil, err
		}
		return []Item{{Reading: r, Name: name, Warnings: s.Warnings}}, nil
	}
	data, err := readBounded(name)
	if err != nil {
		return nil, err
	}
	if IsJSON(name, data) {
		readings, err := readReadings(name, data, fill)
		if err != nil {
			return nil, err
		}
		out := make([]Item, len(readings))
		for i, r := range readings {
			out[i] = Item{Reading: r, Name: name}
		}
		return out, nil
	}
	files, err := exchange.Read(data, name, fill.Options())
	if err != nil {
		return nil, err
	}
	st, err := os.Stat(name)
	if err != nil {
		return nil, err
	}
	r, err := FromMeasurement(files[0], data, st.ModTime(), fill)
	if err != nil {
		return nil, err
	}
	return []Item{{Reading: r, File: files[0], Name: name, Warnings: files[0].Warnings}}, nil
}

// readBounded reads a file, up to just beyond what its reader takes: only JSON may hold many
// readings.
func readBounded(name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	limit := int64(measurement.MaxBytes + 1)
	var data bytes.Buffer
	if st, err := f.Stat(); err == nil && st.Mode().IsRegular() {
		data.Grow(int(min(st.Size(), limit)) + bytes.MinRead) // else it grows by doubling
	}
	n, err := io.CopyN(&data, f, limit)
	if err == nil && IsJSON(name, data.Bytes()[:min(n, 512)]) {
		_, err = io.CopyN(&data, f, maxFile+1-limit)
	}
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("reading %s: %w", name, err)
	}
	return data.Bytes(), nil
}

// maxFile bounds a file of many readings, one a line; a measurement file has its own, smaller
// limit.
const maxFile = 1 << 30

// IsJSON tells whether a file holds readings as JSON, by its ending or its first character.
func IsJSON(name string, data []byte) bool {
	switch strings.ToLower(filepath.Ext(name)) {
	case ".json", ".jsonl":
		return true
	}
	return bytes.HasPrefix(bytes.TrimSpace(data), []byte("{"))
}

func readReadings(name string, data []byte, fill Fill) ([]*protocol.Reading, error) {
	if len(data) > maxFile {
		return nil, fmt.Errorf("%s: more than %d bytes; split it", name, maxFile)
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff")) // some editors put it there; the bus does not take it
	if strings.EqualFold(filepath.Ext(name), ".jsonl") {
		return readLines(name, data, fill)
	}
	r, err := readJSON(data, fill)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return []*protocol.Reading{r}, nil
}

// Options are the reader's options that a fill asks for.
func (f Fill) Options() measurement.Options {
	return measurement.Options{Mode: f.Mode, Table: f.Table, Location: time.Local, SpectraXYZ: spectraXYZ}
}

// spectraXYZ lets the readers compare spectra with a file's own Lab or XYZ.
func spectraXYZ(start, step float64, values [][]float64) ([][3]float64, error) {
	if len(values) == 0 {
		return nil, nil
	}
	w, err := colour.NewWeights(colour.IlluminantD50, start, step, len(values[0]))
	if err != nil {
		return nil, err
	}
	xyz := make([]colour.XYZ, len(values))
	if err := w.XYZs(xyz, values); err != nil {
		return nil, err
	}
	out := make([][3]float64, len(values))
	for i, v := range xyz {
		out[i] = [3]float64{v.X, v.Y, v.Z}
	}
	return out, nil
}

func readLines(name string, data []byte, fill Fill) ([]*protocol.Reading, error) {
	var out []*protocol.Reading
	sc := bufio.NewScanner(bytes.NewReader(data))
	sc.Buffer(make([]byte, 64<<10), maxLine)
	for line := 1; sc.Scan(); line++ {
		if len(bytes.TrimSpace(sc.Bytes())) == 0 {
			continue
		}
		r, err := readJSON(sc.Bytes(), fill)
		if err != nil {
			return nil, fmt.Errorf("%s: line %d: %w", name, line, err)
		}
		out = append(out, r)
	}
	if err := sc.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("%s: no reading in it", name)
	}
	return out, nil
}

// readJSON decodes a reading after filling in what it leaves empty.
func readJSON(data []byte, fill Fill) (*protocol.Reading, error) {
	if fill == (Fill{}) || fill == (Fill{Kind: protocol.KindSpectrophotometer}) {
		return protocol.DecodeReading(data)
	}
	var doc map[string]json.RawMessage
	if json.Unmarshal(data, &doc) != nil {
		return protocol.DecodeReading(data) // for its error
	}
	chart, edition, _, err := fill.chart()
	if err != nil {
		return nil, err
	}
	put := func(m map[string]json.RawMessage, key, v string) {
		if old := string(bytes.TrimSpace(m[key])); v != "" && (old == "" || old == `""` || old == "null") {
			m[key], _ = json.Marshal(v)
		}
	}
	sub := func(key string, set func(map[string]json.RawMessage)) {
		m := map[string]json.RawMessage{}
		if raw := doc[key]; raw != nil && json.Unmarshal(raw, &m) != nil {
			return
		}
		set(m)
		if len(m) > 0 {
			doc[key], _ = json.Marshal(m)
		}
	}
	put(doc, "site", fill.Site)
	put(doc, "printer", fill.Printer)
	put(doc, "station", fill.Station)
	put(doc, "chart", chart)
	put(doc, "edition", edition)
	sub("condition", func(m map[string]json.RawMessage) {
		put(m, "media", fill.Media)
		put(m, "preset", fill.Preset)
		put(m, "stage", fill.Stage)
		put(m, "path", fill.Path)
	})
	sub("instrument", func(m map[string]json.RawMessage) {
		put(m, "kind", fill.Kind)
		put(m, "mode", fill.Mode)
	})
	sub("print", func(m map[string]json.RawMessage) { put(m, "number", fill.Print) })
	whole, err := json.Marshal(doc)
	if err != nil {
		return nil, err
	}
	return protocol.DecodeReading(whole)
}

// chart splits the chart into id and edition; where a file of that name is there, it is the layout
// and gives them.
func (f Fill) chart() (id, edition string, layout *protocol.Chart, err error) {
	if f.Chart == "" {
		return "", "", nil, nil
	}
	if st, err := os.Stat(f.Chart); err == nil && !st.IsDir() {
		c, err := ReadLayout(f.Chart, "")
		if err != nil {
			return "", "", nil, err
		}
		return c.ID, c.Edition, c, nil
	}
	id, edition, _ = strings.Cut(f.Chart, ".")
	return id, edition, nil, nil
}

// FromMeasurement makes a reading of a measurement file. Where the chart is a layout file, the
// patches get the chart's ids (see matchChart). data is the file's content and modified
// its time, which stands in where the file does not say when it was made.
func FromMeasurement(m *measurement.File, data []byte, modified time.Time, fill Fill) (*protocol.Reading, error) {
	patches, err := m.Patches()
	if err != nil {
		return nil, err
	}
	chart, edition, layout, err := fill.chart()
	if err != nil {
		return nil, err
	}
	if layout != nil {
		if err := matchChart(layout, m, patches); err != nil {
			return nil, err
		}
	}
	kind := fill.Kind
	if kind == "" {
		kind = protocol.KindSpectrophotometer
	}
	r := &protocol.Reading{
		Schema: protocol.SchemaReading, TakenAt: modified, Site: fill.Site, Printer: fill.Printer, Station: fill.Station,
		Chart: chart, Edition: edition,
		Condition:  protocol.Condition{Media: fill.Media, Preset: fill.Preset, Stage: fill.Stage, Path: fill.Path},
		Instrument: m.Instrument(kind), Patches: patches,
	}
	if m.Created != nil {
		r.TakenAt = *m.Created
	}
	r.TakenAt = r.TakenAt.Truncate(time.Second)
	if fill.Mode != "" {
		if r.Instrument.Mode != "" && r.Instrument.Mode != fill.Mode {
			return nil, fmt.Errorf("%s: the file says %s, --mode %s", m.Name, r.Instrument.Mode, fill.Mode)
		}
		r.Instrument.Mode = fill.Mode
	}
	if fill.Print != "" {
		r.Print = &protocol.Print{Number: fill.Print}
	}
	r.ID = fileID(r, data)
	return r, nil
}

// fileID is the id of the reading that a file becomes: a version 7 UUID whose time is that of the
// reading and whose random part is taken from the content and where it belongs. The same file sent
// again is thus the same reading, and is stored once.
func fileID(r *protocol.Reading, data []byte) string {
	h := sha256.New()
	fmt.Fprintf(h, "%s|%s|%s|%s|", r.Site, r.Printer, r.Series(), r.TakenAt.UTC().Format(time.RFC3339))
	h.Write(data)
	var id uuid.UUID
	copy(id[:], h.Sum(nil))
	var ms [8]byte
	binary.BigEndian.PutUint64(ms[:], uint64(r.TakenAt.UnixMilli()))
	copy(id[:6], ms[2:])
	id[6] = id[6]&0x0f | 0x70
	id[8] = id[8]&0x3f | 0x80
	return id.String()
}

// ReadLayout reads a chart layout: a layout file, or the device values of a measurement file, which
// make a layout without geometry. id names it then; without one, the file's name does.
func ReadLayout(name, id string) (*protocol.Chart, error) {
	data, err := limited.Read(name, limited.Large)
	if err != nil {
		return nil, err
	}
	if bytes.HasPrefix(bytes.TrimSpace(data), []byte("{")) {
		c, err := protocol.DecodeChart(data)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		if id != "" && id != c.ID {
			return nil, fmt.Errorf("%s: it is the layout of chart %s, not of %s", name, c.ID, id)
		}
		return c, nil
	}
	files, err := exchange.Read(data, name, measurement.Options{Layout: true})
	if err != nil {
		return nil, err
	}
	f := files[0]
	if id == "" {
		id = strings.ToLower(strings.TrimSuffix(filepath.Base(name), filepath.Ext(name)))
	}
	c, err := layoutOf(f, id)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return c, nil
}

// layoutOf makes a layout of the device values of a measurement file. Its edition is a digest of
// what it holds, so that another list under the same name is another edition.
func layoutOf(f *measurement.File, id string) (*protocol.Chart, error) {
	if len(f.Device) == 0 {
		return nil, errors.New("it has no device values (such as CMYK_C), so it cannot be a chart layout")
	}
	c := &protocol.Chart{Schema: protocol.SchemaChart, ID: id, Channels: f.Channels, Driven: protocol.DrivenInk}
	if f.DeviceSpace() == "RGB" {
		c.Driven = protocol.DrivenRGB
	}
	h := sha256.New()
	fmt.Fprintf(h, "%q %s\n", c.Channels, c.Driven)
	for i, pid := range f.ID {
		c.Patches = append(c.Patches, protocol.Patch{ID: pid, Device: f.Device[i]})
		fmt.Fprintf(h, "%q %v\n", pid, f.Device[i])
	}
	c.Edition = fmt.Sprintf("%x", h.Sum(nil)[:4])
	if err := c.Validate(); err != nil {
		return nil, err
	}
	return c, nil
}

// Measurements gives the measurements in a file as they are, of any format, readings too.
func Measurements(name string, fill Fill) ([]*measurement.File, error) {
	data, err := readBounded(name)
	if err != nil {
		return nil, err
	}
	if !IsJSON(name, data) {
		return exchange.Read(data, name, fill.Options())
	}
	readings, err := readReadings(name, data, fill)
	if err != nil {
		return nil, err
	}
	out := make([]*measurement.File, len(readings))
	for i, r := range readings {
		out[i] = exchange.FromReading(r, name)
		if len(readings) > 1 {
			out[i].Name = fmt.Sprintf("%s, reading %d", name, i+1)
		}
	}
	return out, nil
}
