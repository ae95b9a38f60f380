package scan

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"

	"github.com/klauspost/compress/zlib"
)

// decodePNG walks the chunks first, for what the standard decoder does not tell (resolution,
// profile) and so that a cut or inflated file is refused before memory is taken.
func decodePNG(r io.ReaderAt, size int64, lim Limits) (*Picture, error) {
	p := &Picture{Format: "PNG", Pages: 1}
	if err := p.walkPNG(r, size, lim); err != nil {
		return nil, err
	}
	img, err := png.Decode(bufio.NewReaderSize(io.NewSectionReader(r, 0, size), 1<<16))
	if err != nil {
		return nil, badPicture("%w", err)
	}
	switch m := img.(type) {
	case *image.Gray:
		p.Channels, p.Step, p.Bits, p.Pix = 1, 1, 8, m.Pix
	case *image.Gray16:
		p.Channels, p.Step, p.Bits, p.Pix = 1, 1, 16, m.Pix
	case *image.RGBA:
		p.Channels, p.Step, p.Bits, p.Pix = 3, 4, 8, m.Pix
	case *image.NRGBA:
		p.Channels, p.Step, p.Bits, p.Pix = 3, 4, 8, m.Pix
	case *image.RGBA64:
		p.Channels, p.Step, p.Bits, p.Pix = 3, 4, 16, m.Pix
	case *image.NRGBA64:
		p.Channels, p.Step, p.Bits, p.Pix = 3, 4, 16, m.Pix
	default:
		return nil, badPicture("PNG of this kind (%T) is not supported; save as grey or RGB", img)
	}
	return p, nil
}

func (p *Picture) walkPNG(r io.ReaderAt, size int64, lim Limits) error {
	at, stored, ended := int64(8), int64(0), false
	for chunks := 0; at < size && !ended; chunks++ {
		var h [8]byte
		if at+12 > size {
			return badPicture("PNG is cut short at byte %d", size)
		}
		if _, err := r.ReadAt(h[:], at); err != nil && !errors.Is(err, io.EOF) {
			return fmt.Errorf("%w: %w", ErrPicture, err)
		}
		n, kind := int64(binary.BigEndian.Uint32(h[:4])), string(h[4:])
		if at+12+n > size || chunks > 1<<20 {
			return badPicture("PNG is cut short: chunk %q of %d bytes reaches beyond the file's %d", kind, n, size)
		}
		if chunks == 0 && kind != "IHDR" {
			return badPicture("PNG begins with chunk %q", kind)
		}
		var body []byte
		if kind == "IHDR" || kind == "pHYs" || kind == "iCCP" {
			if n > maxICC {
				return badPicture("PNG chunk %s of %d bytes", kind, n)
			}
			body = make([]byte, n)
			if _, err := r.ReadAt(body, at+8); err != nil && !errors.Is(err, io.EOF) {
				return fmt.Errorf("%w: %w", ErrPicture, err)
			}
		}
		switch kind {
		case "IHDR":
			if err := p.pngHeader(body, size, lim); err != nil {
				return err
			}
		case "pHYs":
			if len(body) == 9 && body[8] == 1 {
				p.DPI[0] = float64(binary.BigEndian.Uint32(body)) * 0.0254
				p.DPI[1] = float64(binary.BigEndian.Uint32(body[4:])) * 0.0254
			}
		case "iCCP":
			p.ICC = pngProfile(body)
		case "IDAT":
			stored += n
		case "IEND":
			ended = true
		}
		at += 12 + n
	}
	if !ended || stored == 0 {
		return badPicture("PNG is cut short: it has no end")
	}
	return nil
}

func (p *Picture) pngHeader(b []byte, size int64, lim Limits) error {
	if len(b) != 13 {
		return badPicture("PNG header of %d bytes", len(b))
	}
	w, h := binary.BigEndian.Uint32(b), binary.BigEndian.Uint32(b[4:])
	depth, kind := b[8], b[9]
	if w > 1<<30 || h > 1<<30 {
		return badPicture("claims %d x %d pixels", w, h)
	}
	p.W, p.H = int(w), int(h)
	if depth != 8 && depth != 16 {
		return badPicture("PNG with %d bits per sample is not supported; save with 8 or 16", depth)
	}
	per := map[byte]int{0: 1, 2: 4, 6: 4}[kind] // as the decoder holds them
	if per == 0 {
		return badPicture("PNG with a palette or grey opacity is not supported; save as grey or RGB")
	}
	return lim.check(p.W, p.H, per*int(depth)/8, size)
}

// pngProfile unpacks an iCCP chunk; nil if it is damaged, as the picture is good without.
func pngProfile(b []byte) []byte {
	_, rest, ok := bytes.Cut(b, []byte{0})
	if !ok || len(rest) < 2 || rest[0] != 0 {
		return nil
	}
	z, err := zlib.NewReader(bytes.NewReader(rest[1:]))
	if err != nil {
		return nil
	}
	defer z.Close()
	out, err := io.ReadAll(io.LimitReader(z, maxICC+1))
	if err != nil || len(out) > maxICC {
		return nil
	}
	return out
}
