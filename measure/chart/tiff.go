package chart

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"io"
	"math"
	"slices"
	"strings"
)

// WriteTIFF draws one print as TIFF 6.0, 8 bits a value, chunky, Deflate-compressed strips:
// Separated with one sample for each ink (InkSet CMYK for exactly C, M, Y, K, else named inks),
// or RGB for an RGB-driven chart. No profile is embedded. A tint of t percent is the value
// t * 2.55 to the nearest whole. The same layout, number and dpi give the same bytes.
func WriteTIFF(w io.Writer, l *Layout, number string, dpi float64) error {
	r, err := rasterOf(l, number, dpi)
	if err != nil {
		return err
	}
	var strips [][]byte
	err = r.bands(func(_ int, pix []byte) error {
		var z bytes.Buffer
		zw := zlib.NewWriter(&z)
		if _, err := zw.Write(pix); err != nil {
			return err
		}
		if err := zw.Close(); err != nil {
			return err
		}
		strips = append(strips, z.Bytes())
		return nil
	})
	if err != nil {
		return err
	}
	return writeTIFF(w, tiffEntries(r, dpi, r.bandRows()), strips)
}

// TIFF 6.0 field types.
const (
	tASCII    = 2
	tShort    = 3
	tLong     = 4
	tRational = 5
)

type tiffEntry struct {
	tag, kind uint16
	count     uint32
	data      []byte // little-endian
}

func shorts(tag uint16, v ...int) tiffEntry {
	e := tiffEntry{tag: tag, kind: tShort, count: uint32(len(v))}
	for _, x := range v {
		e.data = binary.LittleEndian.AppendUint16(e.data, uint16(x))
	}
	return e
}

func longs(tag uint16, v ...int) tiffEntry {
	e := tiffEntry{tag: tag, kind: tLong, count: uint32(len(v))}
	for _, x := range v {
		e.data = binary.LittleEndian.AppendUint32(e.data, uint32(x))
	}
	return e
}

func tiffEntries(r *raster, dpi float64, rows int) []tiffEntry {
	l := r.s.l
	bits := make([]int, r.n)
	for i := range bits {
		bits[i] = 8
	}
	photometric := 2 // RGB
	if l.Driven == DrivenInk {
		photometric = 5 // Separated
	}
	res := binary.LittleEndian.AppendUint32(nil, uint32(math.Round(dpi*1000)))
	res = binary.LittleEndian.AppendUint32(res, 1000)
	es := []tiffEntry{
		longs(256, r.w), longs(257, r.h), shorts(258, bits...), shorts(259, 8), shorts(262, photometric),
		shorts(277, r.n), longs(278, rows),
		{tag: 282, kind: tRational, count: 1, data: res}, {tag: 283, kind: tRational, count: 1, data: res},
		shorts(284, 1), shorts(296, 2),
	}
	if l.Driven != DrivenInk {
		return es
	}
	if slices.Equal(l.Channels, []string{"C", "M", "Y", "K"}) {
		return append(es, shorts(332, 1))
	}
	names := make([]string, r.n)
	for i, c := range l.Channels {
		names[i] = inkName(c)
	}
	text := strings.Join(names, "\x00") + "\x00"
	es = append(es, shorts(332, 2), tiffEntry{tag: 333, kind: tASCII, count: uint32(len(text)), data: []byte(text)}, shorts(334, r.n))
	return es
}

// writeTIFF lays out header, strips, one directory and the values that do not fit in it.
func writeTIFF(w io.Writer, es []tiffEntry, strips [][]byte) error {
	var offsets, sizes []int
	at := 8
	for _, s := range strips {
		offsets = append(offsets, at)
		sizes = append(sizes, len(s))
		at += len(s) + len(s)%2
	}
	es = append(es, longs(273, offsets...), longs(279, sizes...))
	slices.SortFunc(es, func(a, b tiffEntry) int { return int(a.tag) - int(b.tag) })

	var dir, extra bytes.Buffer
	le := binary.LittleEndian
	put16 := func(v uint16) { dir.Write(le.AppendUint16(nil, v)) }
	put32 := func(v uint32) { dir.Write(le.AppendUint32(nil, v)) }
	put16(uint16(len(es)))
	after := at + 2 + 12*len(es) + 4
	for _, e := range es {
		put16(e.tag)
		put16(e.kind)
		put32(e.count)
		if len(e.data) <= 4 {
			dir.Write(append(slices.Clone(e.data), make([]byte, 4-len(e.data))...))
			continue
		}
		put32(uint32(after + extra.Len()))
		extra.Write(e.data)
		if extra.Len()%2 == 1 {
			extra.WriteByte(0)
		}
	}
	put32(0)

	out := [][]byte{le.AppendUint32([]byte{'I', 'I', 42, 0}, uint32(at))}
	for _, s := range strips {
		out = append(out, s)
		if len(s)%2 == 1 {
			out = append(out, []byte{0})
		}
	}
	for _, b := range append(out, dir.Bytes(), extra.Bytes()) {
		if _, err := w.Write(b); err != nil {
			return err
		}
	}
	return nil
}
