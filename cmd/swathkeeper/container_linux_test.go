package main

import (
	"bytes"
	"debug/elf"
	"io"
	"io/fs"
	"net/http"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"swathkeeper/worker/bus/bustest"
)

// nobody is who runs the program in the container.
const nobody = 65532

// TestContainerfile holds the last stage against what is promised of it: nothing but the program, not
// root, and settings that the program has.
func TestContainerfile(t *testing.T) {
	b, err := os.ReadFile(filepath.Join(deployDir, "container", "Containerfile"))
	if err != nil {
		t.Fatal(err)
	}
	text := strings.ReplaceAll(string(b), "\\\n", " ")
	_, last, ok := strings.Cut(text, "\nFROM scratch\n")
	if !ok {
		t.Fatal("the last stage holds more than the program")
	}
	if !strings.Contains(text, "CGO_ENABLED=0 go build") {
		t.Error("the program is not built static")
	}
	of := func(keyword string) (values []string) {
		for _, m := range regexp.MustCompile(`(?m)^`+keyword+` (.*)$`).FindAllStringSubmatch(last, -1) {
			values = append(values, m[1])
		}
		return values
	}
	if got := of("USER"); !slices.Equal(got, []string{"65532:65532"}) {
		t.Errorf("USER %v", got)
	}
	if got := of("ENTRYPOINT"); !slices.Equal(got, []string{`["/swathkeeper"]`}) {
		t.Errorf("ENTRYPOINT %v", got)
	}
	if len(of("RUN")) > 0 || len(of("ADD")) > 0 {
		t.Error("the last stage runs or adds something")
	}
	run, _, err := newRoot().Find([]string{"run"})
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`SWATHKEEPER_(\w+)=`).FindAllStringSubmatch(strings.Join(of("ENV"), " "), -1) {
		name := strings.ToLower(strings.ReplaceAll(m[1], "_", "-"))
		if run.Flag(name) == nil {
			t.Errorf("ENV SWATHKEEPER_%s: `run` has no flag %s", m[1], name)
		}
	}
}

// TestReadOnlyRoot runs the program as the container does: the static program alone in its root,
// which cannot be written, as a user who is not root. It works, and writes nothing but its data folder.
func TestReadOnlyRoot(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("builds the program")
	}
	root := t.TempDir()
	if err := unix.Mount("tmpfs", root, "tmpfs", unix.MS_NOSUID|unix.MS_NODEV, "size=256m,mode=0555"); err != nil {
		t.Skipf("this user may not mount: %v", err)
	}
	t.Cleanup(func() { _ = unix.Unmount(root, unix.MNT_DETACH) })
	build := osexec.CommandContext(t.Context(), "go", "build", "-trimpath", "-ldflags", "-s -w", "-o", filepath.Join(root, "swathkeeper"), ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	file, err := elf.Open(filepath.Join(root, "swathkeeper"))
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range file.Progs {
		if p.Type == elf.PT_INTERP || p.Type == elf.PT_DYNAMIC {
			t.Error("the program is not static: it asks for a loader")
		}
	}
	_ = file.Close()

	data := t.TempDir()
	inside := filepath.Join(root, "data")
	if err := os.Mkdir(inside, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Chown(data, nobody, nobody); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(data, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount(data, inside, "", unix.MS_BIND, ""); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = unix.Unmount(inside, unix.MNT_DETACH) })
	if err := unix.Mount("", root, "", unix.MS_REMOUNT|unix.MS_RDONLY|unix.MS_NOSUID|unix.MS_NODEV, "size=256m,mode=0555"); err != nil {
		t.Fatal(err)
	}
	health := bustest.FreePort(t)
	var errs bytes.Buffer
	c := osexec.CommandContext(t.Context(), "/swathkeeper", "run", "--listen", "127.0.0.1:0", "--chat", "console", "--zone", "Europe/Lisbon")
	c.Env = []string{"SWATHKEEPER_DATA=/data", "SWATHKEEPER_HEALTH=" + health}
	c.Dir = "/"
	c.Stderr = &errs
	c.SysProcAttr = &syscall.SysProcAttr{Chroot: root, Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Process.Kill() })
	listening(t, health)
	resp, err := http.Get("http://" + health + "/readyz")
	if err != nil {
		t.Fatal(err)
	}
	body, _ := io.ReadAll(resp.Body)
	_ = resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		t.Errorf("/readyz: %d\n%s", resp.StatusCode, body)
	}
	if err := c.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- c.Wait() }()
	select {
	case err := <-done:
		if err != nil || strings.Contains(errs.String(), `"level":"error"`) {
			t.Errorf("%v\n%s", err, errs.String())
		}
	case <-time.After(time.Minute):
		t.Errorf("it does not stop\n%s", errs.String())
	}
	n := 0
	err = filepath.WalkDir(data, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		n++
		st, err := d.Info()
		if err == nil && st.Mode().Perm()&0o077 != 0 {
			t.Errorf("%s can be read by others: %v", path, st.Mode())
		}
		return err
	})
	if err != nil || n < 3 {
		t.Errorf("%d files in the data folder, %v", n, err)
	}
}
