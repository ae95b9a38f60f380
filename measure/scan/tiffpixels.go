package scan

import (
	"bufio"
	"errors"
	"fmt"
	"io"

	"github.com/klauspost/compress/zlib"
	"golang.org/x/image/tiff/lzw"
)

func decodeTIFF(r io.ReaderAt, size int64, lim Limits) (*Picture, error) {
	f, err := openTIFF(r, size)
	if err != nil {
		return nil, err
	}
	s, err := f.shape(lim)
	if err != nil {
		return nil, err
	}
	icc, err := f.raw(tagICC, maxICC)
	if err != nil {
		return nil, err
	}
	p := &Picture{W: s.w, H: s.h, Channels: s.channels, Bits: s.bits, Step: s.channels, DPI: s.dpi, ICC: icc, Format: "TIFF", Pages: f.pages}
	switch s.orientation {
	case 2, 4, 5, 7:
		p.Flipped = true
	}
	p.Pix = make([]byte, p.stride()*p.H)
	d := &tiffDecoder{f: f, s: s, p: p, little: f.order.Uint16([]byte{1, 0}) == 1}
	planes := 1
	if s.planar {
		planes = s.channels // further ones are opacity and not needed
	}
	for plane := range planes {
		for i := range s.across * s.down {
			if err := d.chunk(plane, i); err != nil {
				return nil, err
			}
		}
	}
	if s.invert {
		for i, v := range p.Pix {
			p.Pix[i] = ^v
		}
	}
	return p, nil
}

type tiffDecoder struct {
	f       *tiffFile
	s       *tiffShape
	p       *Picture
	little  bool
	stored  []byte // one chunk as stored
	scratch []byte // one chunk decoded, when it cannot go straight into the picture
	inflate io.ReadCloser
	ahead   bufio.Reader // the LZW reader asks for single bytes
}

// chunk decodes strip or tile i of a plane into the picture.
func (d *tiffDecoder) chunk(plane, i int) error {
	s, p := d.s, d.p
	x0, y0 := i%s.across*s.chunkW, i/s.across*s.chunkH
	rows := min(s.chunkH, s.h-y0)
	samples := s.samples
	if s.planar {
		samples = 1
	}
	sb := s.bits / 8
	rowBytes := s.chunkW * samples * sb
	direct := !s.tiled && !s.planar && s.samples == s.channels
	var dst []byte
	if direct {
		dst = p.Pix[y0*p.stride():][:rows*rowBytes]
	} else {
		n := int(s.chunkBytes(i))
		if cap(d.scratch) < n {
			d.scratch = make([]byte, n)
		}
		dst = d.scratch[:n]
	}
	index := i
	if s.planar {
		index += plane * s.across * s.down
	}
	if err := d.unpack(dst, index); err != nil {
		return err
	}
	if s.bits == 16 && d.little {
		for k := 0; k+1 < len(dst); k += 2 {
			dst[k], dst[k+1] = dst[k+1], dst[k]
		}
	}
	if s.predictor {
		for y := range len(dst) / rowBytes {
			undoDifferences(dst[y*rowBytes:][:rowBytes], samples, sb)
		}
	}
	if direct {
		return nil
	}
	cols := min(s.chunkW, s.w-x0)
	for y := range rows {
		from := dst[y*rowBytes:]
		to := p.Pix[(y0+y)*p.stride()+x0*p.Step*sb:]
		if s.planar {
			for x := range cols {
				copy(to[(x*p.Step+plane)*sb:][:sb], from[x*sb:])
			}
			continue
		}
		for x := range cols {
			copy(to[x*p.Step*sb:][:p.Step*sb], from[x*samples*sb:])
		}
	}
	return nil
}

// unpack fills dst from a stored chunk, whole or not at all.
func (d *tiffDecoder) unpack(dst []byte, index int) error {
	at, n := d.s.offsets[index], d.s.counts[index]
	if d.s.compression == 1 {
		if _, err := d.f.r.ReadAt(dst, at); err != nil {
			return fmt.Errorf("%w: %w", ErrPicture, err)
		}
		return nil
	}
	src := io.NewSectionReader(d.f.r, at, n)
	var err error
	switch d.s.compression {
	case 5:
		d.ahead.Reset(src)
		z := lzw.NewReader(&d.ahead, lzw.MSB, 8)
		_, err = io.ReadFull(z, dst)
		z.Close()
	case 8, 32946:
		err = d.inflateInto(dst, src)
	case 32773:
		if n > int64(2*len(dst)+1024) {
			return badPicture("TIFF strip or tile %d is %d bytes long for %d bytes of pixels; the file is damaged", index+1, n, len(dst))
		}
		if int64(cap(d.stored)) < n {
			d.stored = make([]byte, n)
		}
		d.stored = d.stored[:n]
		if _, err = src.ReadAt(d.stored, 0); err == nil || errors.Is(err, io.EOF) {
			err = unpackBits(dst, d.stored)
		}
	}
	if err != nil {
		return badPicture("TIFF strip or tile %d is damaged or cut short: %w", index+1, err)
	}
	return nil
}

func (d *tiffDecoder) inflateInto(dst []byte, src io.Reader) error {
	var err error
	if d.inflate == nil {
		d.inflate, err = zlib.NewReader(src)
	} else {
		err = d.inflate.(zlib.Resetter).Reset(src, nil)
	}
	if err != nil {
		return err
	}
	_, err = io.ReadFull(d.inflate, dst)
	return err
}

// undoDifferences turns horizontal differences back into values (TIFF 6.0, section 14).
func undoDifferences(row []byte, samples, sampleBytes int) {
	if sampleBytes == 1 {
		for i := samples; i < len(row); i++ {
			row[i] += row[i-samples]
		}
		return
	}
	for i := 2 * samples; i+1 < len(row); i += 2 {
		v := uint16(row[i])<<8 | uint16(row[i+1])
		v += uint16(row[i-2*samples])<<8 | uint16(row[i-2*samples+1])
		row[i], row[i+1] = byte(v>>8), byte(v)
	}
}

// unpackBits undoes PackBits (TIFF 6.0, section 9).
func unpackBits(dst, src []byte) error {
	for len(dst) > 0 {
		if len(src) < 2 {
			return io.ErrUnexpectedEOF
		}
		n := int(int8(src[0]))
		switch {
		case n == -128:
			src = src[1:]
		case n >= 0:
			if len(src) < n+2 {
				return io.ErrUnexpectedEOF
			}
			k := copy(dst, src[1:n+2])
			dst, src = dst[k:], src[n+2:]
		default:
			k := min(1-n, len(dst))
			for i := range k {
				dst[i] = src[1]
			}
			dst, src = dst[k:], src[2:]
		}
	}
	return nil
}
