package main

import (
	"bytes"
	"context"
	"debug/buildinfo"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
)

// licenceFile is how files with a licence, or what a licence wants passed on, are called.
var licenceFile = regexp.MustCompile(`(?i)^(un)?(licen[sc]e|copying|notice|patents)([-.].*)?$`)

// licences gathers the licences of everything that is inside a program, which those licences ask to
// be passed on with it, into one text. A module without one is an error: nobody may pass it on.
func (r *release) licences(ctx context.Context, program string) (string, error) {
	info, err := buildinfo.ReadFile(program)
	if err != nil {
		return "", err
	}
	to := filepath.Join(filepath.Dir(program), "licences.txt")
	goroot, err := output(ctx, r.root, toolEnv, "go", "env", "GOROOT")
	if err != nil {
		return "", err
	}
	var text bytes.Buffer
	fmt.Fprintf(&text, "swathkeeper is under the Apache License 2.0, see LICENSE. The program holds these modules too.\n")
	if err := appendLicences(&text, "The Go standard library, "+info.GoVersion, goroot); err != nil {
		return "", err
	}
	for _, m := range info.Deps {
		if m.Replace != nil {
			m = m.Replace
		}
		found, err := output(ctx, r.root, toolEnv, "go", "mod", "download", "-json", m.Path+"@"+m.Version)
		if err != nil {
			return "", err
		}
		var module struct{ Dir string }
		if err := json.Unmarshal([]byte(found), &module); err != nil {
			return "", fmt.Errorf("go mod download -json: %w", err)
		}
		if err := appendLicences(&text, m.Path+" "+m.Version, module.Dir); err != nil {
			return "", err
		}
	}
	return to, writeFile(to, func(w io.Writer) error {
		_, err := w.Write(text.Bytes())
		return err
	})
}

// appendLicences adds the licence texts that lie in a module's folder.
func appendLicences(to *bytes.Buffer, title, dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	n := 0
	for _, e := range entries {
		if e.IsDir() || !licenceFile.MatchString(e.Name()) || filepath.Ext(e.Name()) == ".go" {
			continue
		}
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			return err
		}
		n++
		fmt.Fprintf(to, "\n%s\n%s: %s\n%s\n\n%s\n", strings.Repeat("=", 80), title, e.Name(), strings.Repeat("=", 80), bytes.TrimSpace(b))
	}
	if n == 0 {
		return fmt.Errorf("%s has no licence file; it may not be passed on", title)
	}
	return nil
}
