package scan

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
)

// TIFF 6.0 tags that are looked at.
const (
	tagWidth        = 256
	tagLength       = 257
	tagBits         = 258
	tagCompression  = 259
	tagPhotometric  = 262
	tagFillOrder    = 266
	tagStripOffsets = 273
	tagOrientation  = 274
	tagSamples      = 277
	tagRowsPerStrip = 278
	tagStripCounts  = 279
	tagXResolution  = 282
	tagYResolution  = 283
	tagPlanar       = 284
	tagUnit         = 296
	tagPredictor    = 317
	tagTileWidth    = 322
	tagTileLength   = 323
	tagTileOffsets  = 324
	tagTileCounts   = 325
	tagSampleFormat = 339
	tagICC          = 34675
)

// tiffFile is an open TIFF and its first directory.
type tiffFile struct {
	r      io.ReaderAt
	size   int64
	order  binary.ByteOrder
	fields map[uint16]tiffField
	pages  int
}

type tiffField struct {
	kind  uint16
	count uint32
	value [4]byte // the value, or its offset
}

// tiffSizes are the bytes of each field type, by number.
var tiffSizes = [...]int64{0, 1, 1, 2, 4, 8, 1, 1, 2, 4, 8, 4, 8}

// Bounds of what a directory may hold. A real one has about 20 fields; a picture of 65000 rows
// has at most as many strips.
const (
	maxFields = 1000
	maxChunks = 1 << 18
	maxICC    = 4 << 20
)

func openTIFF(r io.ReaderAt, size int64) (*tiffFile, error) {
	f := &tiffFile{r: r, size: size, order: binary.LittleEndian, fields: map[uint16]tiffField{}}
	head, err := f.bytes(0, 8)
	if err != nil {
		return nil, err
	}
	if head[0] == 'M' {
		f.order = binary.BigEndian
	}
	at := int64(f.order.Uint32(head[4:]))
	next, err := f.directory(at, true)
	if err != nil {
		return nil, err
	}
	f.pages = 1
	for next != 0 && f.pages < 100 {
		if next, err = f.directory(next, false); err != nil {
			break // a damaged later page does not spoil the first
		}
		f.pages++
	}
	return f, nil
}

// bytes reads n bytes at an offset, or says that the file ends before.
func (f *tiffFile) bytes(at, n int64) ([]byte, error) {
	if at < 0 || n < 0 || at+n > f.size {
		return nil, badPicture("TIFF is cut short or damaged: it points to bytes %d to %d of %d", at, at+n, f.size)
	}
	b := make([]byte, n)
	if _, err := f.r.ReadAt(b, at); err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%w: %w", ErrPicture, err)
	}
	return b, nil
}

func (f *tiffFile) directory(at int64, keep bool) (next int64, err error) {
	b, err := f.bytes(at, 2)
	if err != nil {
		return 0, err
	}
	n := int64(f.order.Uint16(b))
	if n == 0 || n > maxFields {
		return 0, badPicture("TIFF directory has %d fields; the file is damaged", n)
	}
	if b, err = f.bytes(at+2, 12*n+4); err != nil {
		return 0, err
	}
	for i := range n {
		e := b[12*i:]
		if keep {
			fd := tiffField{kind: f.order.Uint16(e[2:]), count: f.order.Uint32(e[4:])}
			copy(fd.value[:], e[8:12])
			f.fields[f.order.Uint16(e)] = fd
		}
	}
	return int64(f.order.Uint32(b[12*n:])), nil
}

// raw gives a field's bytes.
func (f *tiffFile) raw(tag uint16, limit int64) ([]byte, error) {
	fd, ok := f.fields[tag]
	if !ok {
		return nil, nil
	}
	if int(fd.kind) >= len(tiffSizes) || fd.kind == 0 {
		return nil, badPicture("TIFF field %d has unknown type %d", tag, fd.kind)
	}
	n := int64(fd.count) * tiffSizes[fd.kind]
	if n > limit {
		return nil, badPicture("TIFF field %d is %d bytes long, more than the limit of %d", tag, n, limit)
	}
	if n <= 4 {
		return fd.value[:n], nil
	}
	return f.bytes(int64(f.order.Uint32(fd.value[:])), n)
}

// numbers reads a field of whole numbers; nil if it is not there.
func (f *tiffFile) numbers(tag uint16, limit int) ([]int64, error) {
	b, err := f.raw(tag, int64(limit)*8)
	if err != nil || b == nil {
		return nil, err
	}
	fd := f.fields[tag]
	if int(fd.count) > limit {
		return nil, badPicture("TIFF field %d has %d values, more than the limit of %d", tag, fd.count, limit)
	}
	out := make([]int64, fd.count)
	for i := range out {
		switch fd.kind {
		case 1:
			out[i] = int64(b[i])
		case 3:
			out[i] = int64(f.order.Uint16(b[2*i:]))
		case 4:
			out[i] = int64(f.order.Uint32(b[4*i:]))
		default:
			return nil, badPicture("TIFF field %d has type %d, expected whole numbers", tag, fd.kind)
		}
	}
	return out, nil
}

// number reads one whole number, or the given value if the field is not there.
func (f *tiffFile) number(tag uint16, missing int64) (int64, error) {
	v, err := f.numbers(tag, 64)
	if err != nil {
		return 0, err
	}
	if len(v) == 0 {
		return missing, nil
	}
	return v[0], nil
}

// perInch reads a resolution in pixels per inch; 0 if unknown or senseless.
func (f *tiffFile) perInch(tag uint16, unit int64) float64 {
	b, err := f.raw(tag, 8)
	if err != nil || len(b) != 8 || f.fields[tag].kind != 5 {
		return 0
	}
	v := float64(f.order.Uint32(b)) / float64(f.order.Uint32(b[4:]))
	switch unit {
	case 2:
	case 3:
		v *= 2.54
	default:
		return 0
	}
	if math.IsNaN(v) || v < 30 || v > 20000 {
		return 0
	}
	return v
}

// tiffShape is what the directory says about the pixels.
type tiffShape struct {
	w, h, samples, bits int
	compression         int64
	planar, invert      bool
	predictor           bool
	chunkW, chunkH      int // of a strip or tile
	tiled               bool
	across, down        int // chunks
	offsets, counts     []int64
	channels            int // kept
	orientation         int64
	dpi                 [2]float64
}

func (f *tiffFile) shape(lim Limits) (*tiffShape, error) {
	s := &tiffShape{}
	var err error
	get := func(tag uint16, missing int64) int64 {
		v, e := f.number(tag, missing)
		if err == nil {
			err = e
		}
		return v
	}
	w, h := get(tagWidth, 0), get(tagLength, 0)
	samples, photometric := get(tagSamples, 1), get(tagPhotometric, -1)
	s.compression = get(tagCompression, 1)
	planar, predictor := get(tagPlanar, 1), get(tagPredictor, 1)
	fill := get(tagFillOrder, 1)
	s.orientation = get(tagOrientation, 1)
	unit := get(tagUnit, 2)
	if err != nil {
		return nil, err
	}
	bits, err := f.numbers(tagBits, 64)
	if err != nil {
		return nil, err
	}
	format, err := f.numbers(tagSampleFormat, 64)
	if err != nil {
		return nil, err
	}
	switch photometric {
	case 0, 1:
		s.channels, s.invert = 1, photometric == 0
	case 2:
		s.channels = 3
	default:
		names := map[int64]string{-1: "no stated", 3: "palette", 4: "mask", 5: "separated (CMYK)", 6: "YCbCr", 8: "L*a*b*", 9: "ICC L*a*b*", 32803: "raw sensor"}
		name, ok := names[photometric]
		if !ok {
			name = fmt.Sprint("photometric ", photometric)
		}
		return nil, badPicture("TIFF with %s colour is not supported; save as grey or RGB", name)
	}
	for _, b := range bits {
		if b != bits[0] {
			return nil, badPicture("TIFF with unequal bits per sample %v is not supported", bits)
		}
	}
	if len(bits) == 0 || bits[0] != 8 && bits[0] != 16 {
		return nil, badPicture("TIFF with %v bits per sample is not supported; save with 8 or 16", bits)
	}
	for _, v := range format {
		if v != 1 {
			return nil, badPicture("TIFF with floating-point or signed samples is not supported; save with 8 or 16 bits")
		}
	}
	if samples < int64(s.channels) || samples > 16 {
		return nil, badPicture("TIFF has %d samples in a pixel, expected %d", samples, s.channels)
	}
	if fill != 1 {
		return nil, badPicture("TIFF with reversed bits in bytes is not supported")
	}
	if predictor != 1 && predictor != 2 {
		return nil, badPicture("TIFF predictor %d is not supported; save without or with horizontal differencing", predictor)
	}
	if w > math.MaxInt32 || h > math.MaxInt32 {
		return nil, badPicture("claims %d x %d pixels", w, h)
	}
	s.w, s.h, s.samples, s.bits = int(w), int(h), int(samples), int(bits[0])
	s.planar, s.predictor = planar == 2 && samples > 1, predictor == 2
	s.dpi = [2]float64{f.perInch(tagXResolution, unit), f.perInch(tagYResolution, unit)}
	if err := checkCompression(s.compression); err != nil {
		return nil, err
	}
	if err := lim.check(s.w, s.h, s.channels*s.bits/8, f.size); err != nil {
		return nil, err
	}
	return s, f.chunks(s)
}

func checkCompression(c int64) error {
	switch c {
	case 1, 5, 8, 32946, 32773:
		return nil
	}
	names := map[int64]string{2: "CCITT", 3: "CCITT fax", 4: "CCITT fax", 6: "JPEG", 7: "JPEG", 34712: "JPEG 2000", 34925: "LZMA", 50000: "Zstandard", 50001: "WebP"}
	name, ok := names[c]
	if !ok {
		name = fmt.Sprint("number ", c)
	}
	return badPicture("TIFF compression %s is not supported; save uncompressed, or with LZW or Deflate", name)
}

// chunks reads the places of strips or tiles and checks them against picture and file.
func (f *tiffFile) chunks(s *tiffShape) error {
	tw, err := f.number(tagTileWidth, 0)
	if err != nil {
		return err
	}
	th, err := f.number(tagTileLength, 0)
	if err != nil {
		return err
	}
	rows, err := f.number(tagRowsPerStrip, math.MaxUint32)
	if err != nil {
		return err
	}
	offsets, counts := uint16(tagStripOffsets), uint16(tagStripCounts)
	if s.tiled = tw != 0 || th != 0; s.tiled {
		// A tile may reach over the edge, but one much larger than the picture is a bomb.
		if tw < 1 || th < 1 || tw > int64(s.w)+4096 || th > int64(s.h)+4096 || tw*th > int64(s.w)*int64(s.h)+(1<<22) {
			return badPicture("TIFF tiles of %d x %d pixels in a picture of %d x %d", tw, th, s.w, s.h)
		}
		s.chunkW, s.chunkH = int(tw), int(th)
		offsets, counts = tagTileOffsets, tagTileCounts
	} else {
		if rows < 1 {
			return badPicture("TIFF strips of %d rows", rows)
		}
		s.chunkW, s.chunkH = s.w, int(min(rows, int64(s.h)))
	}
	s.across, s.down = (s.w+s.chunkW-1)/s.chunkW, (s.h+s.chunkH-1)/s.chunkH
	want := s.across * s.down
	if s.planar {
		want *= s.samples
	}
	if want > maxChunks {
		return badPicture("TIFF in %d strips or tiles, more than the limit of %d", want, maxChunks)
	}
	if s.offsets, err = f.numbers(offsets, maxChunks); err != nil {
		return err
	}
	if s.counts, err = f.numbers(counts, maxChunks); err != nil {
		return err
	}
	if len(s.offsets) < want || len(s.counts) < want {
		return badPicture("TIFF names %d places and %d lengths for its %d strips or tiles; it is damaged", len(s.offsets), len(s.counts), want)
	}
	for i := range want {
		if need := s.chunkBytes(i); s.compression == 1 && s.counts[i] < need {
			return badPicture("TIFF strip or tile %d holds %d bytes, its pixels need %d; the file is damaged", i+1, s.counts[i], need)
		}
		if s.offsets[i]+s.counts[i] > f.size {
			return badPicture("TIFF is cut short: strip or tile %d of %d ends at byte %d, the file at %d", i+1, want, s.offsets[i]+s.counts[i], f.size)
		}
	}
	return nil
}

// chunkBytes is the number of bytes in chunk i once decoded.
func (s *tiffShape) chunkBytes(i int) int64 {
	rows, samples := s.chunkH, s.samples
	if s.planar {
		i, samples = i%(s.across*s.down), 1
	}
	if !s.tiled { // tiles are padded, strips end with the picture
		rows = min(rows, s.h-i/s.across*s.chunkH)
	}
	return int64(rows) * int64(s.chunkW) * int64(samples) * int64(s.bits/8)
}
