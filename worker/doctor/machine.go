package doctor

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/chat"
	"swathkeeper/worker/health"
	"swathkeeper/worker/zones"
)

// certSoon is how long before a certificate runs out that is said.
const certSoon = 30 * 24 * time.Hour

// Folder looks at a data folder: who may read it, the grants, and the certificate.
func Folder(dir string, now time.Time) []Finding {
	st, err := os.Stat(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return []Finding{fault("store", "start the worker, or name its folder with --data", "there is no data folder %s", dir)}
	}
	if err != nil {
		return []Finding{fault("store", "let this user into the data folder", "%v", err)}
	}
	var out []Finding
	if !st.IsDir() {
		return []Finding{fault("store", "name a folder with --data", "%s is no folder", dir)}
	}
	for _, name := range []string{bus.EndpointFile, bus.GrantsFile, bus.KeyFile} {
		out = append(out, Secret(filepath.Join(dir, name))...)
	}
	grants, err := bus.ReadGrants(dir)
	switch {
	case err != nil:
		out = append(out, fault("configuration", "mend the file, or bring it back from a copy; a running worker keeps to the grants that it read before", "%v", err))
	case len(grants.Grants) > 0:
		out = append(out, fine("configuration", "%s granted a key", count(len(grants.Grants), "name")))
	}
	const back = "bring " + bus.CertFile + " and " + bus.KeyFile + " back from a copy, or remove both, start the worker, and give the new fingerprint to every station"
	if bus.CertGone(dir) {
		out = append(out, fault("configuration", back, "the certificate is gone from the data folder, and its key is there: a worker that starts makes a new one, which no station trusts"))
	}
	if err := bus.CheckCert(dir); err != nil {
		out = append(out, fault("configuration", back, "%v", err))
	}
	if cert, err := bus.ReadCert(filepath.Join(dir, bus.CertFile)); err == nil {
		switch left := cert.NotAfter.Sub(now); {
		case left < 0:
			out = append(out, fault("configuration", "remove "+bus.CertFile+" and "+bus.KeyFile+" in the data folder, restart the worker, and give its new fingerprint to the stations", "the certificate ran out on %s", cert.NotAfter.Format(time.DateOnly)))
		case left < certSoon:
			out = append(out, look("configuration", "plan a new certificate and its new fingerprint at every station", "the certificate runs out on %s", cert.NotAfter.Format(time.DateOnly)))
		}
	}
	return out
}

// Open looks at who may look into a data folder; one that is not there is no finding.
func Open(dir string) []Finding {
	st, err := os.Stat(dir)
	if err != nil || filepath.Separator != '/' || st.Mode().Perm()&0o077 == 0 {
		return nil
	}
	return []Finding{look("configuration", "chmod 700 "+dir, "others may look into the data folder %s (mode %04o)", dir, st.Mode().Perm())}
}

// Secret looks at who may read a file that holds a secret; one that is not there is no finding. A file
// of root that a group may read, and nobody change, is how a service's user is let in to its settings.
func Secret(path string) []Finding {
	st, err := os.Stat(path)
	if path == "" || errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return []Finding{fault("configuration", "let this user read it", "%v", err)}
	}
	open := st.Mode().Perm() & 0o077
	if open == 0o040 && ofRoot(st) {
		open = 0
	}
	if filepath.Separator == '/' && open != 0 {
		return []Finding{look("configuration", "chmod 600 "+path, "others may read %s (mode %04o), which holds a secret", path, st.Mode().Perm())}
	}
	return nil
}

// Disk looks at what is free where a data folder lies.
func Disk(dir string) []Finding {
	free, size := bus.DiskFree(dir)
	c := worker.DiskCheck(free)
	switch {
	case size == 0:
		return nil
	case !c.OK && !c.Minor:
		return []Finding{fault("disk", "make room on the disk of the data folder; the worker goes on by itself", "%s of %d MB", strings.SplitN(c.Text, ";", 2)[0], size>>20)}
	case !c.OK:
		return []Finding{look("disk", "make room on the disk of the data folder", "%s of %d MB", strings.SplitN(c.Text, ";", 2)[0], size>>20)}
	}
	return []Finding{fine("disk", "%s of %d GB", c.Text, size>>30)}
}

// Clock holds the machine's clock against the newest message of the store, and asks the system
// whether anything keeps it right.
func Clock(ctx context.Context, js jetstream.JetStream, now time.Time) []Finding {
	if js != nil {
		for _, name := range []string{protocol.StreamRecord, protocol.StreamInbox} {
			s, err := js.Stream(ctx, name)
			if err != nil {
				continue
			}
			if ahead := s.CachedInfo().State.LastTime.Sub(now); ahead > time.Minute {
				return []Finding{fault("clock", "set the machine's clock, and let it be kept by NTP", "the clock is %s behind the newest message of the store", ahead.Round(time.Second))}
			}
		}
	}
	switch synced, known := clockKept(); {
	case !known:
		return []Finding{fine("clock", "not behind the newest message of the store; whether anything keeps it right is not known here")}
	case !synced:
		return []Finding{look("clock", "let NTP keep the clock: two machines' times are compared in every verdict", "nothing keeps this machine's clock right")}
	}
	return []Finding{fine("clock", "kept by the system")}
}

// Told is a chat target, as it may be shown.
type Told struct {
	Name, Service string
}

// Targets lists the configured targets, and those that workers say they tell: a running worker need
// not have been given the configuration that doctor was.
func Targets(configured []chat.Target, reports []health.Report) []Told {
	var out []Told
	for _, t := range configured {
		out = append(out, Told{t.Name, t.Service()})
	}
	for _, r := range reports {
		for _, s := range r.Chat {
			if t := (Told{s.Target, s.Service}); !slices.ContainsFunc(out, func(o Told) bool { return o.Name == t.Name }) {
				out = append(out, t)
			}
		}
	}
	return out
}

// Chat looks at the targets and at what could not be delivered. js may be nil.
func Chat(ctx context.Context, js jetstream.JetStream, targets []Told, now time.Time) []Finding {
	if len(targets) == 0 {
		return []Finding{look("chat", "give [chat.NAME] in the configuration file, or --chat; see `swathkeeper chat --help`", "nobody is told of alerts: no chat target is configured here")}
	}
	var out []Finding
	lost := map[string]int{}
	if js != nil {
		all, err := chat.Failures(ctx, js, "")
		if err != nil {
			return []Finding{fault("chat", "see the finding about the bus", "%v", err)}
		}
		last := map[string]chat.Failure{}
		for _, f := range all {
			if now.Sub(f.At) < 7*24*time.Hour {
				if lost[f.Target]++; lost[f.Target] == 1 {
					last[f.Target] = f
				}
			}
		}
		for _, t := range targets {
			if n := lost[t.Name]; n > 0 {
				out = append(out, fault("chat", "do `swathkeeper chat test "+t.Name+"`, and read what it missed in `swathkeeper chat list`", "%s (%s): %s given up within a week, the last on %s: %s", t.Name, t.Service, count(n, "message"), zones.Stamp(last[t.Name].At, now.Location(), stampLayout), last[t.Name].Why))
			}
		}
	}
	good := 0
	for _, t := range targets {
		if lost[t.Name] == 0 {
			good++
		}
	}
	if good > 0 {
		out = append(out, fine("chat", "%s, and nothing given up within a week; `swathkeeper chat test` tries them", count(good, "target")))
	}
	return out
}
