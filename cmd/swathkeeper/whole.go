package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
)

// writeWhole writes a file so that it is there whole or not at all.
func writeWhole(name string, data []byte) error {
	return writeWholeBy(name, func(w io.Writer) error {
		_, err := w.Write(data)
		return err
	})
}

// writeWholeBy is writeWhole for what is written piece by piece: what is there under that name stays
// until the new file is complete. What is no file but a pipe or a device is written to as it is.
func writeWholeBy(name string, write func(io.Writer) error) error {
	if i, err := os.Stat(name); err == nil && !i.Mode().IsRegular() && !i.IsDir() {
		f, err := os.OpenFile(name, os.O_WRONLY, 0)
		if err != nil {
			return cannotWrite(name, err)
		}
		return errors.Join(write(f), f.Close())
	}
	return wholeFile(name, 0o666, func(f *os.File) error { return write(f) })
}

// wholeFile gives write a new file beside name, which takes its place when it is complete. perm is
// what the umask leaves of it, for a file that was not there before.
func wholeFile(name string, perm fs.FileMode, write func(*os.File) error) error {
	to, there := name, false
	switch i, err := os.Stat(name); {
	case err == nil && i.IsDir():
		return fmt.Errorf("cannot write %s: it is a folder; give the name of a file", name)
	case err == nil && !i.Mode().IsRegular():
		return fmt.Errorf("cannot write %s: it is no file", name)
	case err == nil:
		perm, there = i.Mode().Perm(), true
		// A link is followed, so that it stays one.
		if to, err = filepath.EvalSymlinks(name); err != nil {
			return cannotWrite(name, err)
		}
	}
	tmp, err := os.OpenFile(filepath.Join(filepath.Dir(to), fmt.Sprintf(".swathkeeper-%016x", rand.Uint64())), os.O_CREATE|os.O_EXCL|os.O_RDWR, perm)
	if err != nil {
		return cannotWrite(name, err)
	}
	defer os.Remove(tmp.Name())
	if there {
		_ = tmp.Chmod(perm) // who could read it still can, whatever the umask is; some file systems know no rights
	}
	if err := write(tmp); err != nil {
		var p *fs.PathError
		if errors.As(err, &p) && p.Path == tmp.Name() {
			err = cannotWrite(name, err)
		}
		return errors.Join(err, tmp.Close())
	}
	if err := errors.Join(tmp.Sync(), tmp.Close()); err != nil {
		return cannotWrite(name, err)
	}
	if err := os.Rename(tmp.Name(), to); err != nil {
		return cannotWrite(name, err)
	}
	return nil
}

// cannotWrite says why a file cannot be written and what to do, by the name that was given and not
// by that of a temporary file.
func cannotWrite(name string, err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		err = p.Err
	}
	var l *os.LinkError
	if errors.As(err, &l) {
		err = l.Err
	}
	next := "choose another place"
	switch {
	case errors.Is(err, fs.ErrNotExist):
		next = "make its folder first"
	case errors.Is(err, fs.ErrPermission):
		next = "choose a place where you may write"
	}
	return fmt.Errorf("cannot write %s: %w; %s", name, err, next)
}
