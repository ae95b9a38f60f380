package cxf

import (
	"bytes"
	"regexp"
	"strings"

	"golang.org/x/text/encoding/charmap"

	"swathkeeper/protocol/measurement"
)

var declared = regexp.MustCompile(`^\s*<\?xml[^>]{0,200}?\bencoding\s*=\s*["']([A-Za-z0-9._:-]{1,40})["']`)

// decode is measurement.Decode, but text that is not UTF-8 is taken in the
// encoding that the document declares, if that has one byte for a character.
// Others are refused: names would come out as other names.
func decode(data []byte, name string) (text []byte, encoding string, err error) {
	text, encoding, err = measurement.Decode(data, name)
	if err != nil || encoding != "windows-1252" {
		return text, encoding, err
	}
	m := declared.FindSubmatch(data[:min(len(data), 1000)])
	if m == nil {
		return text, encoding, nil
	}
	want := strings.ToLower(string(m[1]))
	switch want {
	case "iso-8859-1", "latin1", "us-ascii", "windows-1252", "utf-8":
		return text, encoding, nil // the first four are contained in it; the last is not what it says
	}
	for _, e := range charmap.All {
		c, ok := e.(*charmap.Charmap)
		if !ok || strings.ToLower(strings.ReplaceAll(c.String(), " ", "-")) != want {
			continue
		}
		text, err = c.NewDecoder().Bytes(data)
		if err != nil || bytes.IndexByte(text, 0) >= 0 {
			break
		}
		return text, want, nil
	}
	return nil, "", &measurement.Error{File: name, Line: 1, Problem: "the text is in " + measurement.Quote(want) + ", which is not read", Hint: "save it as UTF-8"}
}
