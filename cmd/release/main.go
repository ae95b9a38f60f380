// Command release makes a release of the sources in this folder: archives for five platforms, Debian
// packages, a list of what is inside them (CycloneDX), the container file and checksums.
//
//	go run ./cmd/release -version 0.1.0
//
// The same sources, version and Go give the same bytes, wherever and whenever it runs: paths are
// trimmed, names sorted, and every date is SOURCE_DATE_EPOCH, which is the day of the commit unless it
// is set (reproducible-builds.org).
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"time"
)

// Tools that a release needs and the program does not. They are fetched when a release is made, so
// that nobody who builds the program carries them.
const (
	nfpmTool = "github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.45.0"                   // Debian packages
	sbomTool = "github.com/CycloneDX/cyclonedx-gomod/cmd/cyclonedx-gomod@v1.10.0" // parts lists
)

// platform is what a program is built for, in Go's names.
type platform struct{ os, arch string }

var platforms = []platform{
	{"linux", "amd64"}, {"linux", "arm64"}, {"darwin", "arm64"}, {"darwin", "amd64"}, {"windows", "amd64"},
}

func (p platform) String() string { return p.os + "/" + p.arch }

// release is one release being made.
type release struct {
	root       string // of the sources
	out        string // folder that receives the files
	work       string // folder for what is not released as it is
	version    string // such as 0.1.0
	revision   string // commit, or "" where there is none
	maintainer string // of the Debian package, Name <address>
	date       time.Time
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "release:", err)
		os.Exit(1)
	}
}

var versionForm = regexp.MustCompile(`^\d+\.\d+\.\d+(-[0-9A-Za-z.]+)?$`)

func run(ctx context.Context, args []string) error {
	fs := flag.NewFlagSet("release", flag.ContinueOnError)
	r := release{}
	fs.StringVar(&r.version, "version", "", "version to release, such as 0.1.0 (required)")
	fs.StringVar(&r.out, "out", "dist", "folder that receives the files; it must be new or empty")
	fs.StringVar(&r.maintainer, "maintainer", "swathkeeper contributors <contributors@swathkeeper.invalid>", "who answers for the Debian package")
	only := fs.String("only", "", "only this platform, such as linux/amd64")
	dirty := fs.Bool("dirty", false, "release what is not committed, too (to try things out)")
	if err := fs.Parse(args); err != nil {
		return err
	}
	if !versionForm.MatchString(r.version) {
		return fmt.Errorf("-version %q: give three numbers, such as 0.1.0, or 0.1.0-rc.1", r.version)
	}
	targets, err := chosen(*only)
	if err != nil {
		return err
	}
	if err := r.locate(ctx, *dirty); err != nil {
		return err
	}
	if err := emptyDir(r.out); err != nil {
		return err
	}
	if r.work, err = os.MkdirTemp("", "swathkeeper-release-"); err != nil {
		return err
	}
	defer os.RemoveAll(r.work)
	fmt.Printf("swathkeeper %s of %s, %s, %s\n", r.version, r.revision, r.date.Format("2006-01-02 15:04:05"), runtime.Version())

	// The pages and completions are the same for every platform; the program of this one writes them.
	if err := r.build(ctx, platform{runtime.GOOS, runtime.GOARCH}, r.host()); err != nil {
		return err
	}
	if err := r.writePages(ctx); err != nil {
		return err
	}
	for _, p := range targets {
		if err := r.one(ctx, p); err != nil {
			return fmt.Errorf("%s: %w", p, err)
		}
	}
	if err := copyFile(filepath.Join(r.root, "deploy/container/Containerfile"), filepath.Join(r.out, "Containerfile")); err != nil {
		return err
	}
	return writeSums(r.out)
}

// chosen is every platform, or the one that is named.
func chosen(only string) ([]platform, error) {
	if only == "" {
		return platforms, nil
	}
	for _, p := range platforms {
		if p.String() == only {
			return []platform{p}, nil
		}
	}
	return nil, fmt.Errorf("-only %q: releases are made for %v", only, platforms)
}

// locate finds the sources, their commit and the date of everything.
func (r *release) locate(ctx context.Context, dirty bool) error {
	mod, err := output(ctx, ".", nil, "go", "env", "GOMOD")
	if err != nil {
		return err
	}
	if r.root = filepath.Dir(mod); mod == os.DevNull {
		return errors.New("run it in the sources")
	}
	if r.out, err = filepath.Abs(r.out); err != nil {
		return err
	}
	if !dirty {
		changed, err := output(ctx, r.root, nil, "git", "status", "--porcelain")
		if err != nil {
			return fmt.Errorf("asking for uncommitted changes: %w; -dirty goes on without", err)
		}
		if changed != "" {
			return fmt.Errorf("not committed: %s; commit it, or give -dirty to try things out", strings.Join(strings.Fields(changed), " "))
		}
	}
	epoch := os.Getenv("SOURCE_DATE_EPOCH")
	if r.revision, err = output(ctx, r.root, nil, "git", "rev-parse", "HEAD"); err == nil && epoch == "" {
		epoch, err = output(ctx, r.root, nil, "git", "show", "-s", "--format=%ct", "HEAD")
	}
	if err != nil && epoch == "" {
		return fmt.Errorf("no commit to take the date from, set SOURCE_DATE_EPOCH: %w", err)
	}
	s, err := strconv.ParseInt(epoch, 10, 64)
	if err != nil {
		return fmt.Errorf("SOURCE_DATE_EPOCH %q is no number of seconds", epoch)
	}
	r.date = time.Unix(s, 0).UTC()
	return nil
}

// one makes everything for one platform.
func (r *release) one(ctx context.Context, p platform) error {
	name := fmt.Sprintf("swathkeeper_%s_%s_%s", r.version, p.os, p.arch)
	program := filepath.Join(r.work, name, "swathkeeper")
	if p.os == "windows" {
		program += ".exe"
	}
	if err := r.build(ctx, p, program); err != nil {
		return err
	}
	licences, err := r.licences(ctx, program)
	if err != nil {
		return err
	}
	if err := r.partsList(ctx, program, filepath.Join(r.out, name+".cdx.json")); err != nil {
		return err
	}
	files, err := r.archived(program, licences)
	if err != nil {
		return err
	}
	if p.os == "windows" {
		err = writeZip(filepath.Join(r.out, name+".zip"), name, files, r.date)
	} else {
		err = writeTar(filepath.Join(r.out, name+".tar.gz"), name, files, r.date)
	}
	if err != nil {
		return err
	}
	if p.os == "linux" {
		if err := r.debian(ctx, p, program, licences); err != nil {
			return fmt.Errorf("debian package: %w", err)
		}
	}
	fmt.Println("made", name)
	return nil
}

// host is the program for the machine that makes the release.
func (r *release) host() string { return filepath.Join(r.work, "host", "swathkeeper") }

// build compiles the program for a platform into a file.
func (r *release) build(ctx context.Context, p platform, to string) error {
	// Nothing of this machine goes in: not its paths, not its settings, not what git calls the commit
	// (tags that one clone has and another has not).
	env := []string{"CGO_ENABLED=0", "GOOS=" + p.os, "GOARCH=" + p.arch, "GOAMD64=v1", "GOARM64=v8.0", "GOFLAGS=", "GOEXPERIMENT=", "GOFIPS140="}
	ld := fmt.Sprintf("-s -w -buildid= -X main.version=%s -X main.revision=%s", r.version, r.revision)
	_, err := output(ctx, r.root, env, "go", "build", "-trimpath", "-buildvcs=false", "-ldflags", ld, "-o", to, "./cmd/swathkeeper")
	return err
}

// writePages writes manual pages and completions below r.work.
func (r *release) writePages(ctx context.Context) error {
	// The pages name the default data folder, which lies in whoever's home.
	env := []string{"HOME=~", "XDG_STATE_HOME=", "STATE_DIRECTORY=", "SOURCE_DATE_EPOCH=" + strconv.FormatInt(r.date.Unix(), 10)}
	if _, err := output(ctx, r.work, env, r.host(), "man", filepath.Join(r.work, "man", "man1")); err != nil {
		return err
	}
	dir := filepath.Join(r.work, "completions")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	for shell, file := range map[string]string{"bash": "swathkeeper.bash", "zsh": "_swathkeeper", "fish": "swathkeeper.fish", "powershell": "swathkeeper.ps1"} {
		text, err := output(ctx, r.work, env, r.host(), "completion", shell)
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(dir, file), []byte(text+"\n"), 0o644); err != nil {
			return err
		}
	}
	return nil
}

// partsList writes what a program is made of, as CycloneDX: every module with version, digest and
// licence, and the Go release.
func (r *release) partsList(ctx context.Context, program, to string) error {
	// Without serial number and time, which would differ each time.
	_, err := output(ctx, r.root, toolEnv, "go", "run", sbomTool, "bin", "-json", "-licenses", "-std", "-noserial", "-notimestamp",
		"-version", "v"+r.version, "-output", to, program)
	return err
}

// toolEnv is for tools that run on this machine.
var toolEnv = []string{"GOFLAGS=-trimpath", "GOOS=", "GOARCH="}

// output runs a command and returns what it printed, without the last line's end.
func output(ctx context.Context, dir string, env []string, name string, args ...string) (string, error) {
	c := exec.CommandContext(ctx, name, args...)
	c.Dir = dir
	c.Env = append(os.Environ(), env...)
	var said strings.Builder
	c.Stderr = &said
	out, err := c.Output()
	if err != nil {
		return "", fmt.Errorf("%s: %w: %s", strings.Join(c.Args, " "), err, strings.TrimSpace(said.String()))
	}
	return strings.TrimRight(string(out), "\n"), nil
}

// emptyDir makes a folder, or refuses one with something in it.
func emptyDir(dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	entries, err := os.ReadDir(dir)
	if err == nil && len(entries) > 0 {
		err = fmt.Errorf("%s is not empty: remove what an earlier release left, or give -out", dir)
	}
	return err
}
