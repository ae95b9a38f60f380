// Package limited reads files that people name, and that ought to be small: a wrong name, a device or a
// disk's image must not fill the memory.
package limited

import (
	"fmt"
	"io"
	"os"
)

// How large a file may be, in bytes.
const (
	Small = 1 << 20  // settings, keys, addresses, certificates, state of our own
	Large = 16 << 20 // layouts, plans, lists of device values
)

// Read gives what a file holds. One that holds more than most bytes is an error that says so.
func Read(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, most+1))
	if err != nil {
		return nil, err
	}
	if int64(len(data)) > most {
		return nil, tooLarge(path, most)
	}
	return data, nil
}

// Check says whether a file that another library is going to read holds more than most bytes, or is no
// file but a device. What else may be wrong with it, that library says; no path is right.
func Check(path string, most int64) error {
	if path == "" {
		return nil
	}
	st, err := os.Stat(path)
	switch {
	case err != nil:
		return nil //nolint:nilerr // the library says it in its own words
	case st.Mode()&os.ModeDevice != 0:
		return fmt.Errorf("%s is a device, not a file", path)
	case st.Size() > most && st.Mode().IsRegular():
		return tooLarge(path, most)
	}
	return nil
}

func tooLarge(path string, most int64) error {
	return fmt.Errorf("%s holds more than %d MB, which nothing of its kind does: give the right file", path, most>>20)
}
