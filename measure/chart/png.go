package chart

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/png"
	"io"
	"math"
)

// WritePNG draws one print of an RGB-driven chart as PNG, with its resolution in a pHYs chunk,
// so that it prints at true size, and without any statement about colour.
func WritePNG(w io.Writer, l *Layout, number string, dpi float64) error {
	if l.Driven != DrivenRGB {
		return fmt.Errorf("PNG holds no ink values; draw chart %s as TIFF or PDF", l.ID)
	}
	r, err := rasterOf(l, number, dpi)
	if err != nil {
		return err
	}
	if r.w*r.h > 1<<28 {
		return fmt.Errorf("%d x %d pixels is too large for PNG; choose fewer dpi, TIFF or PDF", r.w, r.h)
	}
	img := image.NewRGBA(image.Rect(0, 0, r.w, r.h))
	row := make([]byte, r.w*3)
	for y := range r.h {
		r.band(row, y, 1)
		d := img.Pix[y*img.Stride:]
		for x := range r.w {
			d[4*x], d[4*x+1], d[4*x+2], d[4*x+3] = row[3*x], row[3*x+1], row[3*x+2], 255
		}
	}
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		return err
	}
	// The chunk goes right after the header chunk: 8 bytes of signature, 25 of IHDR.
	const head = 33
	perMetre := uint32(math.Round(dpi / 0.0254))
	chunk := []byte("pHYs")
	chunk = binary.BigEndian.AppendUint32(chunk, perMetre)
	chunk = binary.BigEndian.AppendUint32(chunk, perMetre)
	chunk = append(chunk, 1)
	out := binary.BigEndian.AppendUint32(nil, 9)
	out = append(out, chunk...)
	out = binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(chunk))
	for _, part := range [][]byte{b.Bytes()[:head], out, b.Bytes()[head:]} {
		if _, err := w.Write(part); err != nil {
			return err
		}
	}
	return nil
}
