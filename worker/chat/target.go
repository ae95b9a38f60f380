package chat

import (
	"encoding/base64"
	"errors"
	"fmt"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/alert"
)

// Target is one place that is told of changes.
type Target struct {
	// Name is a token; it names the target's place in the record stream. A target under a new name
	// begins with what happens from then on.
	Name string
	// URL says which service and where; see the package's description. It is a secret.
	URL string

	Sites    []string // only these sites; empty: all
	Printers []string // only these printers; empty: all
	Level    string   // act (default), or stop: only what passed the stop limit

	// Quiet, as "21:00-06:00" in the shop's time, is when nothing but stop is told; what is still
	// open at its end is then told in one message. Empty: never quiet.
	Quiet string
	// Digest, as "07:30", is when a summary of the last day is told every day. Empty: never.
	Digest string

	// AllowLocal lets the URL lead to this machine or to link-local addresses. A URL that names
	// this machine itself (localhost, 127.0.0.1, [::1]) may lead there without it.
	AllowLocal bool
	// NoPicture leaves out the small picture where the service would take one.
	NoPicture bool
}

// Validate says what is wrong with a target, naming it and never its URL.
func (t Target) Validate() error {
	if !protocol.IsToken(t.Name) {
		return fmt.Errorf("chat target %q: the name must be 1 to %d of a-z, 0-9 and -, and not begin with -", clean(t.Name), protocol.MaxToken)
	}
	bad := func(format string, args ...any) error {
		return fmt.Errorf("chat target %s: %s", t.Name, fmt.Sprintf(format, args...))
	}
	for _, s := range slices.Concat(t.Sites, t.Printers) {
		if !protocol.IsToken(s) {
			return bad("%q is no site or printer", clean(s))
		}
	}
	if t.Level != "" && t.Level != protocol.LevelAct && t.Level != protocol.LevelStop {
		return bad("level %q must be act or stop", clean(t.Level))
	}
	if _, err := parseQuiet(t.Quiet); err != nil {
		return bad("quiet: %v", err)
	}
	if t.Digest != "" {
		if _, err := parseClock(t.Digest); err != nil {
			return bad("digest: %v", err)
		}
	}
	if _, err := t.address(); err != nil {
		return bad("%v", err)
	}
	return nil
}

// kinds of service.
const (
	kindConsole  = "console"
	kindWebhook  = "webhook"
	kindSlack    = "slack"
	kindDiscord  = "discord"
	kindTeams    = "teams"
	kindTelegram = "telegram"
	kindEmail    = "e-mail"
	kindOther    = "other"
)

// address is a target's URL taken apart.
type address struct {
	kind string
	url  *url.URL // with the service's prefix taken off
}

// loopback reports whether the URL itself names this machine, in so many words: whoever writes
// that means it. A name that only resolves to this machine does not count.
func (a address) loopback() bool {
	if a.url == nil {
		return false
	}
	host := a.url.Hostname()
	if a.kind == kindTelegram {
		api, err := url.Parse(a.url.Query().Get("api"))
		if err != nil {
			return false
		}
		host = api.Hostname()
	}
	ip, err := netip.ParseAddr(host)
	return strings.EqualFold(host, "localhost") || err == nil && ip.IsLoopback()
}

var errURL = errors.New("the url cannot be read; put it in quotes, and % signs as %25")

func (t Target) address() (address, error) {
	if t.URL == "" {
		return address{}, errors.New("the url is missing")
	}
	if t.URL == "console" || t.URL == "console:" {
		return address{kind: kindConsole}, nil
	}
	u, err := url.Parse(t.URL)
	if err != nil || u.Scheme == "" {
		return address{}, errURL // the parser's own error holds the url
	}
	prefix, scheme, prefixed := strings.Cut(strings.ToLower(u.Scheme), "+")
	if !prefixed {
		prefix, scheme = "", prefix
	}
	a := address{url: u}
	switch {
	case scheme == "https" || scheme == "http":
		u.Scheme = scheme
		if u.Hostname() == "" {
			return address{}, errors.New("the url names no host")
		}
		switch prefix {
		case "":
			a.kind = guess(u)
		case kindWebhook, kindSlack, kindDiscord, kindTeams:
			a.kind = prefix
		default:
			return address{}, fmt.Errorf("%s is no service of ours; take webhook, slack, discord or teams in front of +%s", clean(prefix), scheme)
		}
	case prefixed:
		return address{}, errors.New("what follows + must be https or http")
	case scheme == "telegram":
		a.kind = kindTelegram
		if err := checkTelegram(u); err != nil {
			return address{}, err
		}
	case scheme == "smtp" || scheme == "smtps":
		a.kind = kindEmail
		if _, err := parseMail(u); err != nil {
			return address{}, err
		}
	case scheme == "generic" || scheme == "logger" || scheme == "slack" || scheme == "discord" || scheme == "teams":
		return address{}, fmt.Errorf("%s:// is not taken; give the service's own https:// webhook address", scheme)
	default:
		a.kind = kindOther
		if err := checkOther(t.URL); err != nil {
			return address{}, err
		}
	}
	return a, nil
}

// guess recognises the webhook addresses that the chat services hand out.
func guess(u *url.URL) string {
	host := strings.ToLower(u.Hostname())
	under := func(domain string) bool { return host == domain || strings.HasSuffix(host, "."+domain) }
	switch {
	case host == "hooks.slack.com":
		return kindSlack
	case (under("discord.com") || under("discordapp.com")) && strings.HasPrefix(u.Path, "/api/"):
		return kindDiscord
	case under("webhook.office.com"), under("logic.azure.com"), under("api.powerplatform.com"):
		return kindTeams
	}
	return kindWebhook
}

// Service names the kind of service behind the target; it is no secret.
func (t Target) Service() string {
	a, err := t.address()
	if err != nil {
		return "unreadable"
	}
	if a.kind == kindOther {
		return strings.ToLower(a.url.Scheme)
	}
	return a.kind
}

// alerts are the subjects that the target listens to: whatever changes an alert.
func (t Target) alerts() []string {
	return t.subjects(func(site, printer string) string {
		return protocol.RecordSubject(site, printer, protocol.KindAlert, "*")
	})
}

// records are the subjects of all that the worker recorded about the target's printers.
func (t Target) records() []string { return t.subjects(protocol.PrinterRecords) }

func (t Target) subjects(of func(site, printer string) string) []string {
	all := func(s []string) []string {
		if len(s) == 0 {
			return []string{"*"}
		}
		return s
	}
	var out []string
	for _, site := range all(t.Sites) {
		for _, printer := range all(t.Printers) {
			out = append(out, of(site, printer))
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// wants reports whether a change is for this target. What was absorbed is not told: the alert that
// explains it is. Who is only told to hold production is also told when an alert is no longer at stop.
func (t Target) wants(c protocol.Change) bool {
	if t.Level == protocol.LevelStop && c.Level != protocol.LevelStop && c.Reason != alert.ReasonBelowStop {
		return false
	}
	return c.Change != protocol.ChangeAbsorbed
}

// parseClock reads a time of day as 07:30.
func parseClock(s string) (time.Duration, error) {
	at, err := time.Parse("15:04", strings.TrimSpace(s))
	if err != nil {
		return 0, fmt.Errorf("%q is no time of day like 07:30", clean(s))
	}
	return time.Duration(at.Hour())*time.Hour + time.Duration(at.Minute())*time.Minute, nil
}

// redactor takes a target's secrets out of a text.
type redactor struct{ secrets []string }

func (t Target) redactor() redactor {
	var r redactor
	add := func(s string, least int) {
		if len(s) >= least {
			r.secrets = append(r.secrets, s)
			if e := url.QueryEscape(s); e != s {
				r.secrets = append(r.secrets, e)
			}
			if e := url.PathEscape(s); e != s {
				r.secrets = append(r.secrets, e)
			}
		}
	}
	if t.Service() == kindConsole {
		return r
	}
	add(t.URL, 1)
	u, err := url.Parse(t.URL)
	if err != nil {
		return r
	}
	add(u.String(), 1)
	if u.User != nil {
		add(u.User.String(), 1)
		add(u.User.Username(), 3)
		if p, ok := u.User.Password(); ok {
			add(p, 1)
			add(u.User.Username()+":"+p, 1)
			add(base64.StdEncoding.EncodeToString([]byte(u.User.Username()+":"+p)), 1)
			add(base64.StdEncoding.EncodeToString([]byte("\x00"+u.User.Username()+"\x00"+p)), 1)
		}
	}
	add(u.Path, 2)
	add(u.EscapedPath(), 2)
	for _, part := range strings.Split(u.Path, "/") {
		add(part, 4)
	}
	add(u.RawQuery, 2)
	if mail := u.Scheme == "smtp" || u.Scheme == "smtps"; !mail {
		for _, vs := range u.Query() {
			for _, v := range vs {
				add(v, 4)
			}
		}
		add(u.Opaque, 2)
		// In other schemes a token may stand where a host does.
		if u.Scheme != "https" && u.Scheme != "http" && !strings.Contains(u.Scheme, "+") {
			add(u.Host, 3)
		}
	}
	add(u.Fragment, 2)
	slices.SortFunc(r.secrets, func(a, b string) int { return len(b) - len(a) })
	return r
}

// text takes the secrets out.
func (r redactor) text(s string) string {
	for _, secret := range r.secrets {
		s = strings.ReplaceAll(s, secret, "***")
	}
	return s
}
