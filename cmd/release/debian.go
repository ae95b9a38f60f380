package main

import (
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// debian makes the Debian package of a program, by deploy/debian/nfpm.yaml.
func (r *release) debian(ctx context.Context, p platform, program, licences string) error {
	dir := filepath.Join(r.work, "debian-"+p.arch)
	if err := os.MkdirAll(filepath.Join(dir, "man1"), 0o755); err != nil {
		return err
	}
	unit, err := os.ReadFile(filepath.Join(r.root, "deploy/systemd/swathkeeper.service"))
	if err != nil {
		return err
	}
	packaged, err := packagedUnit(string(unit))
	if err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(dir, "swathkeeper.service"), []byte(packaged), 0o644); err != nil {
		return err
	}
	version := debianVersion(r.version)
	changelog := fmt.Sprintf("swathkeeper (%s) stable; urgency=medium\n\n  * Release %s.\n\n -- %s  %s\n",
		version, r.version, r.maintainer, r.date.Format(time.RFC1123Z))
	if err := gzipTo(filepath.Join(dir, "changelog.gz"), []byte(changelog)); err != nil {
		return err
	}
	text, err := os.ReadFile(licences)
	if err != nil {
		return err
	}
	if err := gzipTo(filepath.Join(dir, "licences.txt.gz"), text); err != nil {
		return err
	}
	pages, err := filepath.Glob(filepath.Join(r.work, "man", "man1", "*.1"))
	if err != nil {
		return err
	}
	for _, page := range pages {
		b, err := os.ReadFile(page)
		if err != nil {
			return err
		}
		if err := gzipTo(filepath.Join(dir, "man1", filepath.Base(page)+".gz"), b); err != nil {
			return err
		}
	}
	config, err := os.ReadFile(filepath.Join(r.root, "deploy/debian/nfpm.yaml"))
	if err != nil {
		return err
	}
	filled := strings.NewReplacer(
		"@ARCH@", p.arch, "@VERSION@", version, "@MAINTAINER@", r.maintainer, "@DATE@", r.date.Format(time.RFC3339),
		"@PROGRAM@", program, "@MADE@", dir, "@WORK@", r.work, "@ROOT@", r.root,
	).Replace(string(config))
	yaml := filepath.Join(dir, "nfpm.yaml")
	if err := os.WriteFile(yaml, []byte(filled), 0o644); err != nil {
		return err
	}
	env := append([]string{"SOURCE_DATE_EPOCH=" + strconv.FormatInt(r.date.Unix(), 10)}, toolEnv...)
	_, err = output(ctx, r.root, env, "go", "run", nfpmTool, "package", "--config", yaml, "--packager", "deb",
		"--target", filepath.Join(r.out, fmt.Sprintf("swathkeeper_%s_%s.deb", version, p.arch)))
	return err
}

// debianVersion writes a version so that a release candidate sorts before its release (Debian Policy
// 5.6.12: a tilde sorts before the end).
func debianVersion(v string) string { return strings.Replace(v, "-", "~", 1) }

// packagedUnit is the unit with the program where packages put theirs; /usr/local is the
// administrator's (Debian Policy 9.1.2).
func packagedUnit(unit string) (string, error) {
	const by, to = "\nExecStart=/usr/local/bin/", "\nExecStart=/usr/bin/"
	if strings.Count(unit, by) != 1 {
		return "", fmt.Errorf("the unit does not start the program in /usr/local/bin, once")
	}
	unit = strings.Replace(unit, by, to, 1)
	// The comment on top says how to put the file in place by hand.
	if at := strings.Index(unit, "[Unit]"); at >= 0 {
		unit = unit[at:]
	}
	return unit, nil
}

// gzipTo writes a compressed file without a name or time in it (Debian Policy 12.1 and 12.7 want
// manual pages and changelogs so).
func gzipTo(to string, b []byte) error {
	return writeFile(to, func(w io.Writer) error {
		z, err := gzip.NewWriterLevel(w, gzip.BestCompression)
		if err != nil {
			return err
		}
		if _, err := z.Write(b); err != nil {
			return err
		}
		return z.Close()
	})
}
