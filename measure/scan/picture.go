// Package scan turns the picture of a printed chart, as a flatbed scanner or a camera stand
// delivers it, into patch colours and traces along the feed.
//
// It finds the chart's marks and square code at any turn, mirrored or not, undoes turn, shear
// and stretch piece by piece, and says what it doubts. It opens no files and looks up no charts:
// the caller hands over bytes and a function that knows the layouts.
package scan

import (
	"errors"
	"fmt"
	"io"
)

// A Picture is a decoded grey or RGB picture. Samples are as the file has them (usually
// gamma-encoded), white is the largest.
type Picture struct {
	W, H     int
	Channels int // 1 grey or 3 R, G, B
	Bits     int // of a sample, 8 or 16
	// Step is the number of samples from one pixel to the next; more than Channels when the
	// decoder keeps an opacity sample.
	Step int
	// Pix holds rows from the top, W*Step samples each; a 16-bit sample is two bytes, the
	// high one first.
	Pix []byte
	DPI [2]float64 // across and down; 0 if the file does not say
	ICC []byte     // embedded profile, or nil
	// Flipped says that the file asks to be shown mirrored (TIFF Orientation 2, 4, 5 or 7);
	// Pix is as stored.
	Flipped bool
	Format  string // "TIFF" or "PNG"
	Pages   int    // pictures in the file, as far as known; only the first is decoded
}

// ErrPicture is in the chain of every error about the file itself, as opposed to what it shows.
var ErrPicture = errors.New("picture file")

func badPicture(format string, args ...any) error {
	return fmt.Errorf("%w: %w", ErrPicture, fmt.Errorf(format, args...))
}

// Limits bounds what a file may ask for. The zero value means the defaults.
type Limits struct {
	// MaxBytes of a decoded picture; default 320 MiB, which holds A3 at 600 dpi in 8-bit RGB.
	MaxBytes int64
	// MaxSide in pixels; default 65000.
	MaxSide int
}

func (l Limits) withDefaults() Limits {
	if l.MaxBytes == 0 {
		l.MaxBytes = 320 << 20
	}
	if l.MaxSide == 0 {
		l.MaxSide = 65000
	}
	return l
}

// implausible is how many times smaller than its pixels a file of real size may be. Scanner
// noise alone keeps true scans below 20; what is beyond this is made to fill memory.
const (
	implausible     = 400
	implausibleFrom = 48 << 20 // decoded bytes from which the ratio is looked at
)

// check refuses a claim of size before anything of that size is allocated.
func (l Limits) check(w, h, bytesPerPixel int, stored int64) error {
	l = l.withDefaults()
	switch {
	case w <= 0 || h <= 0:
		return badPicture("claims %d x %d pixels", w, h)
	case w > l.MaxSide || h > l.MaxSide || int64(w)*int64(h)*int64(bytesPerPixel) > l.MaxBytes:
		return badPicture("%d x %d pixels of %d bytes are more than the limit of %d MiB; scan at fewer dpi, or only the chart",
			w, h, bytesPerPixel, l.MaxBytes>>20)
	case w < 64 || h < 64:
		return badPicture("%d x %d pixels are too few for a chart; scan at 300 dpi", w, h)
	}
	if n := int64(w) * int64(h) * int64(bytesPerPixel); n > implausibleFrom && n/implausible > stored {
		return badPicture("claims %d x %d pixels in %d bytes; no scan compresses like that, so the file is damaged or cut short", w, h, stored)
	}
	return nil
}

// Decode reads a TIFF or PNG picture of size bytes. TIFF may be grey or RGB, 8 or 16 bits, in
// either byte order, in strips or tiles, chunky or planar, uncompressed or by LZW, Deflate or
// PackBits, with or without prediction. Anything else is refused by name. The claimed size is
// checked before memory is taken, and at most one strip or tile is held besides the picture.
// Every error wraps [ErrPicture].
func Decode(r io.ReaderAt, size int64, lim Limits) (*Picture, error) {
	var head [12]byte
	n, err := r.ReadAt(head[:min(12, max(0, size))], 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%w: %w", ErrPicture, err)
	}
	b := string(head[:n])
	switch {
	case n < 12:
		return nil, badPicture("only %d bytes; not a picture, or not fully written yet", n)
	case b[:4] == "II*\x00" || b[:4] == "MM\x00*":
		return decodeTIFF(r, size, lim)
	case b[:8] == "\x89PNG\r\n\x1a\n":
		return decodePNG(r, size, lim)
	case b[:4] == "II+\x00" || b[:4] == "MM\x00+":
		return nil, badPicture("BigTIFF is not supported; save as plain TIFF")
	case b[:3] == "\xff\xd8\xff":
		return nil, badPicture("JPEG is not supported: its compression blurs fine lines; save as TIFF or PNG")
	case b[:4] == "%PDF":
		return nil, badPicture("PDF is not supported; save the scan as TIFF or PNG")
	case b[:2] == "BM":
		return nil, badPicture("BMP is not supported; save as TIFF or PNG")
	case b[:4] == "RIFF" && b[8:12] == "WEBP":
		return nil, badPicture("WebP is not supported; save as TIFF or PNG")
	}
	return nil, badPicture("neither TIFF nor PNG (begins % x)", head[:4])
}

// sampleBytes is the number of bytes in a sample.
func (p *Picture) sampleBytes() int { return p.Bits / 8 }

// stride is the number of bytes from one row to the next.
func (p *Picture) stride() int { return p.W * p.Step * p.sampleBytes() }
