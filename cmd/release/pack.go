package main

import (
	"archive/tar"
	"archive/zip"
	"cmp"
	"compress/gzip"
	"crypto/sha256"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// packed is a file of an archive.
type packed struct {
	name string      // inside the archive, with slashes
	path string      // on this machine
	mode fs.FileMode // 0755 for programs, else 0644
}

// archived is what every archive holds beside the program.
func (r *release) archived(program, licences string) ([]packed, error) {
	files := []packed{
		{filepath.Base(program), program, 0o755},
		{"licences.txt", licences, 0o644},
	}
	for _, name := range []string{"README.md", "DEVELOPERS.md", "LICENSE", "measure/TRIALS.md"} {
		files = append(files, packed{name, filepath.Join(r.root, name), 0o644})
	}
	// The trees that these pages show or name, and what was written for them.
	for name, dir := range map[string]string{
		"deploy": filepath.Join(r.root, "deploy"), "measure/trials": filepath.Join(r.root, "measure/trials"),
		"man": filepath.Join(r.work, "man"), "completions": filepath.Join(r.work, "completions"),
	} {
		more, err := tree(name, dir)
		if err != nil {
			return nil, err
		}
		files = append(files, more...)
	}
	slices.SortFunc(files, func(a, b packed) int { return cmp.Compare(a.name, b.name) })
	return files, nil
}

// tree lists the files below dir, named below name.
func tree(name, dir string) ([]packed, error) {
	var files []packed
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(dir, p)
		if err != nil {
			return err
		}
		files = append(files, packed{path.Join(name, filepath.ToSlash(rel)), p, 0o644})
		return nil
	})
	return files, err
}

// writeTar packs files below a folder of the archive's own name, all of one date and owner.
func writeTar(to, top string, files []packed, date time.Time) error {
	return writeFile(to, func(w io.Writer) error {
		z, err := gzip.NewWriterLevel(w, gzip.BestCompression)
		if err != nil {
			return err
		}
		t := tar.NewWriter(z)
		for _, f := range files {
			b, err := os.ReadFile(f.path)
			if err != nil {
				return err
			}
			err = t.WriteHeader(&tar.Header{
				Typeflag: tar.TypeReg, Name: path.Join(top, f.name), Size: int64(len(b)), Mode: int64(f.mode), ModTime: date, Format: tar.FormatPAX,
			})
			if err != nil {
				return err
			}
			if _, err := t.Write(b); err != nil {
				return err
			}
		}
		if err := t.Close(); err != nil {
			return err
		}
		return z.Close()
	})
}

// writeZip is writeTar for machines on which a zip file is what people open.
func writeZip(to, top string, files []packed, date time.Time) error {
	return writeFile(to, func(w io.Writer) error {
		z := zip.NewWriter(w)
		for _, f := range files {
			b, err := os.ReadFile(f.path)
			if err != nil {
				return err
			}
			h := &zip.FileHeader{Name: path.Join(top, f.name), Method: zip.Deflate, Modified: date}
			h.SetMode(f.mode)
			entry, err := z.CreateHeader(h)
			if err != nil {
				return err
			}
			if _, err := entry.Write(b); err != nil {
				return err
			}
		}
		return z.Close()
	})
}

// writeFile makes a new file of what write writes.
func writeFile(to string, write func(io.Writer) error) error {
	f, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	if err := write(f); err != nil {
		f.Close()
		return fmt.Errorf("%s: %w", filepath.Base(to), err)
	}
	return f.Close()
}

func copyFile(from, to string) error {
	b, err := os.ReadFile(from)
	if err != nil {
		return err
	}
	return writeFile(to, func(w io.Writer) error {
		_, err := w.Write(b)
		return err
	})
}

// sumsFile is what `sha256sum -c` checks.
const sumsFile = "SHA256SUMS"

// writeSums writes the SHA-256 of every file in a folder, as sha256sum of the GNU core utilities
// prints them.
func writeSums(dir string) error {
	entries, err := os.ReadDir(dir) // sorted by name
	if err != nil {
		return err
	}
	var b strings.Builder
	for _, e := range entries {
		data, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			return err
		}
		fmt.Fprintf(&b, "%x  %s\n", sha256.Sum256(data), e.Name())
	}
	return writeFile(filepath.Join(dir, sumsFile), func(w io.Writer) error {
		_, err := io.WriteString(w, b.String())
		return err
	})
}
