package main

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"compress/gzip"
	"io"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestPackedTwiceIsTheSame packs files that differ only in what an archive must not show: when they
// were written and by whom. The archives are read by the standard library and, where it is there, tar.
func TestPackedTwiceIsTheSame(t *testing.T) {
	date := time.Date(2026, 3, 9, 7, 0, 0, 0, time.UTC)
	pack := func(age time.Duration) (tarball, zipped []byte) {
		dir := t.TempDir()
		program, text := filepath.Join(dir, "program"), filepath.Join(dir, "text")
		for path, body := range map[string]string{program: "\x7fELF", text: "words\n"} {
			if err := os.WriteFile(path, []byte(body), 0o600); err != nil {
				t.Fatal(err)
			}
			if err := os.Chtimes(path, date.Add(-age), date.Add(-age)); err != nil {
				t.Fatal(err)
			}
		}
		files := []packed{{"bin/program", program, 0o755}, {"text", text, 0o644}}
		if err := writeTar(filepath.Join(dir, "a.tar.gz"), "top", files, date); err != nil {
			t.Fatal(err)
		}
		if err := writeZip(filepath.Join(dir, "a.zip"), "top", files, date); err != nil {
			t.Fatal(err)
		}
		return read(t, filepath.Join(dir, "a.tar.gz")), read(t, filepath.Join(dir, "a.zip"))
	}
	tar1, zip1 := pack(time.Hour)
	tar2, zip2 := pack(1000 * time.Hour)
	if !bytes.Equal(tar1, tar2) || !bytes.Equal(zip1, zip2) {
		t.Error("the same files make other archives the second time")
	}

	want := []string{"top/bin/program -rwxr-xr-x", "top/text -rw-r--r--"}
	z, err := gzip.NewReader(bytes.NewReader(tar1))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		if !h.ModTime.Equal(date) || h.Uid != 0 || h.Uname != "" {
			t.Errorf("%s: %v, owner %d %q", h.Name, h.ModTime, h.Uid, h.Uname)
		}
		got = append(got, h.Name+" "+h.FileInfo().Mode().String())
	}
	if !slices.Equal(got, want) {
		t.Errorf("tar holds %q, want %q", got, want)
	}
	r, err := zip.NewReader(bytes.NewReader(zip1), int64(len(zip1)))
	if err != nil {
		t.Fatal(err)
	}
	got = nil
	for _, f := range r.File {
		if !f.Modified.Equal(date) {
			t.Errorf("%s: %v", f.Name, f.Modified)
		}
		got = append(got, f.Name+" "+f.Mode().String())
	}
	if !slices.Equal(got, want) {
		t.Errorf("zip holds %q, want %q", got, want)
	}
}

// TestSums lets sha256sum of the GNU core utilities check what is written for it.
func TestSums(t *testing.T) {
	if _, err := exec.LookPath("sha256sum"); err != nil {
		t.Skip("no sha256sum here")
	}
	dir := t.TempDir()
	for _, name := range []string{"a.zip", "b c.deb"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(name), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := writeSums(dir); err != nil {
		t.Fatal(err)
	}
	check := func() error {
		c := exec.Command("sha256sum", "--strict", "-c", sumsFile)
		c.Dir = dir
		return c.Run()
	}
	if err := check(); err != nil {
		t.Error(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "a.zip"), []byte("other"), 0o644); err != nil {
		t.Fatal(err)
	}
	if check() == nil {
		t.Error("another file than the one that was summed passes")
	}
}

// TestDebianVersion asks dpkg itself what comes before what.
func TestDebianVersion(t *testing.T) {
	if _, err := exec.LookPath("dpkg"); err != nil {
		t.Skip("no dpkg here")
	}
	in := []string{"0.1.0-rc.1", "0.1.0-rc.2", "0.1.0", "0.1.1", "0.10.0"}
	for i := range in[1:] {
		a, b := debianVersion(in[i]), debianVersion(in[i+1])
		if err := exec.Command("dpkg", "--compare-versions", a, "lt", b).Run(); err != nil {
			t.Errorf("dpkg: %s does not come before %s", a, b)
		}
	}
}

// TestPackagedUnit holds the unit of the repository to what the package makes of it.
func TestPackagedUnit(t *testing.T) {
	got, err := packagedUnit(string(read(t, "../../deploy/systemd/swathkeeper.service")))
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(got, "[Unit]\n") || strings.Contains(got, "/usr/local") ||
		!strings.Contains(got, "\nExecStart=/usr/bin/swathkeeper run --config /etc/swathkeeper/swathkeeper.toml\n") {
		t.Errorf("packaged unit:\n%s", got)
	}
	if _, err := packagedUnit("[Service]\nExecStart=/opt/swathkeeper\n"); err == nil {
		t.Error("a unit that starts something else is taken")
	}
}

// TestLinksHold follows the links of every page that an archive or a Debian package holds to a file that
// is inside, too.
func TestLinksHold(t *testing.T) {
	link := regexp.MustCompile(`\]\(([^)#:]+)(#[^)]*)?\)`)
	follow := func(t *testing.T, inside map[string]string) {
		pages := 0
		for name, from := range inside {
			if path.Ext(name) != ".md" {
				continue
			}
			pages++
			for _, m := range link.FindAllStringSubmatch(string(read(t, from)), -1) {
				if to := path.Join(path.Dir(name), m[1]); inside[to] == "" {
					t.Errorf("%s leads to %s, which is not there", name, to)
				}
			}
		}
		if pages < 5 {
			t.Errorf("only %d pages", pages)
		}
	}
	t.Run("archive", func(t *testing.T) {
		r := release{root: "../..", work: t.TempDir()}
		for _, dir := range []string{"man", "completions"} {
			if err := os.Mkdir(filepath.Join(r.work, dir), 0o755); err != nil {
				t.Fatal(err)
			}
		}
		files, err := r.archived("swathkeeper", "licences.txt")
		if err != nil {
			t.Fatal(err)
		}
		inside := map[string]string{}
		for _, f := range files {
			inside[f.name] = f.path
		}
		follow(t, inside)
	})
	t.Run("Debian package", func(t *testing.T) {
		inside := map[string]string{}
		entry := regexp.MustCompile(`src: "@ROOT@/([^"]+)", dst: /usr/share/doc/swathkeeper/([^,]+),`)
		for _, m := range entry.FindAllStringSubmatch(string(read(t, "../../deploy/debian/nfpm.yaml")), -1) {
			from, err := filepath.Glob(filepath.Join("../..", m[1]))
			if err != nil || len(from) == 0 {
				t.Fatalf("%s is not there: %v", m[1], err)
			}
			for _, f := range from {
				name := m[2]
				if strings.HasSuffix(name, "/") {
					name += filepath.Base(f)
				}
				inside[name] = f
			}
		}
		follow(t, inside)
	})
}

// TestRefused gives command lines that make no release.
func TestRefused(t *testing.T) {
	full := t.TempDir()
	if err := os.WriteFile(filepath.Join(full, "old.zip"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	for want, args := range map[string][]string{
		"give three numbers":     {},
		"-version \"v1\"":        {"-version", "v1"},
		"releases are made for":  {"-version", "0.1.0", "-only", "plan9/amd64"},
		"is not empty":           {"-version", "0.1.0", "-dirty", "-out", full},
		"is no number of second": {"-version", "0.1.0", "-dirty", "-out", full},
	} {
		t.Setenv("SOURCE_DATE_EPOCH", "1700000000")
		if strings.Contains(want, "second") {
			t.Setenv("SOURCE_DATE_EPOCH", "yesterday")
		}
		if err := run(t.Context(), args); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", args, err, want)
		}
	}
}

// TestLicences finds the licence texts of a module, and refuses one without.
func TestLicences(t *testing.T) {
	dir := t.TempDir()
	var b bytes.Buffer
	if err := appendLicences(&b, "example.org/none v1.0.0", dir); err == nil {
		t.Error("a module without a licence is passed on")
	}
	for _, name := range []string{"LICENSE-MIT", "NOTICE", "license.go", "README"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("text of "+name), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := appendLicences(&b, "example.org/two v1.0.0", dir); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]bool{"LICENSE-MIT": true, "NOTICE": true, "license.go": false, "README": false} {
		if got := strings.Contains(b.String(), "text of "+name); got != want {
			t.Errorf("%s: passed on %t, want %t", name, got, want)
		}
	}
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
