package report

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"html"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

// browserPath is a browser to test with; the test is skipped without one.
func browserPath(t *testing.T) string {
	t.Helper()
	if testing.Short() {
		t.Skip("a browser takes its time")
	}
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	t.Skip("no browser (chromium) on this machine: the page is not looked at")
	return ""
}

// seen is what a browser did with a page.
type seen struct {
	console  []string
	requests []string
	dom      string
}

// look opens a page without a window. Nothing but this machine can be reached from it.
func look(t *testing.T, page string, args ...string) seen {
	t.Helper()
	dir := t.TempDir()
	file, log := filepath.Join(dir, "page.html"), filepath.Join(dir, "net.json")
	if err := os.WriteFile(file, []byte(page), 0o600); err != nil {
		t.Fatal(err)
	}
	base := []string{
		"--headless", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run", "--disable-extensions", "--disable-background-networking", "--disable-component-update", "--disable-sync",
		"--hide-scrollbars", "--user-data-dir=" + filepath.Join(dir, "profile"), "--host-resolver-rules=MAP * ~NOTFOUND", "--enable-logging=stderr", "--v=0",
		"--log-net-log=" + log, "--net-log-capture-mode=Everything",
	}
	if os.Geteuid() == 0 {
		base = append(base, "--no-sandbox")
	}
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, browserPath(t), append(append(base, args...), "file://"+file)...)
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("browser: %v\n%s", err, stderr.String())
	}
	s := seen{dom: string(out)}
	for l := range strings.Lines(stderr.String()) {
		if strings.Contains(l, "CONSOLE") {
			s.console = append(s.console, strings.TrimSpace(l))
		}
	}
	raw, err := os.ReadFile(log)
	if err != nil {
		t.Fatal(err)
	}
	s.requests = ofThePage(t, raw)
	return s
}

// ofThePage takes the requests to anywhere but this machine that the page caused out of a browser's
// log. A browser asks its maker for things too; those have no initiator.
func ofThePage(t *testing.T, raw []byte) []string {
	t.Helper()
	var log struct {
		Events []struct {
			Params struct {
				URL       string `json:"url"`
				Initiator string `json:"initiator"`
			} `json:"params"`
		} `json:"events"`
	}
	dec := json.NewDecoder(bytes.NewReader(raw))
	if err := dec.Decode(&log); err != nil {
		t.Fatalf("the browser's log: %v", err)
	}
	var out []string
	for _, e := range log.Events {
		p := e.Params
		if strings.HasPrefix(p.URL, "http") && p.Initiator != "" && p.Initiator != "not an origin" {
			out = append(out, p.URL)
		}
	}
	return out
}

// asked lets a page tell how wide it would like to be, and how many of its parts are cut off at their
// side; the question is a script of the test's own.
func asked(page string) string {
	page = regexp.MustCompile(`<meta http-equiv="Content-Security-Policy"[^>]*>`).ReplaceAllString(page, "")
	return strings.Replace(page, "</body>", `<script>
const cut = [...document.querySelectorAll("body *")].filter(e => e.scrollWidth > e.clientWidth + 1 && !["visible", ""].includes(getComputedStyle(e).overflowX)).length;
const answer = "width " + document.documentElement.scrollWidth + " of " + innerWidth + ", cut " + cut;
if (parent === window) document.title = answer; else parent.postMessage(answer, "*");
</script></body>`, 1)
}

// framed puts a page into a frame: a browser's own window is never narrower than about 500.
func framed(page string, width, height int) string {
	return fmt.Sprintf(`<!doctype html><title>x</title><style>body{margin:0}iframe{border:0;display:block;width:%dpx;height:%dpx}</style>
<script>addEventListener("message", e => document.title = e.data)</script><iframe srcdoc="%s"></iframe>`, width, height, html.EscapeString(page))
}

// The page opens in a browser without a console error and without asking for anything outside, does
// not spill over the side of a screen of a desk or a phone nor hide a part of itself there, and its
// pictures can be looked at: with PICTURES=folder they are kept.
func TestInABrowser(t *testing.T) {
	browserPath(t)
	good := written(t, page())
	// The checks must be able to fail.
	bad := look(t, `<!doctype html><title>x</title><img src="http://pictures.invalid/x.png"><script>console.error("a fault")</script>`, "--dump-dom")
	if len(bad.console) == 0 || !slices.Contains(bad.requests, "http://pictures.invalid/x.png") {
		t.Fatalf("the check sees neither faults nor requests: %q %q", bad.console, bad.requests)
	}
	wide := look(t, framed(asked(`<body><div style="overflow-x:auto"><div style="width:700px">x</div></div></body>`), 390, 500), "--dump-dom", "--virtual-time-budget=5000")
	if !strings.Contains(wide.dom, "<title>width 390 of 390, cut 1</title>") {
		t.Fatalf("the check does not see that something is cut off: %.300s", wide.dom)
	}
	for _, screen := range [][2]int{{1280, 2000}, {390, 2000}} {
		t.Run(fmt.Sprint(screen[0]), func(t *testing.T) {
			shot := filepath.Join(t.TempDir(), "page.png")
			if dir := os.Getenv("PICTURES"); dir != "" {
				shot = filepath.Join(dir, fmt.Sprintf("report-%d.png", screen[0]))
			}
			size := fmt.Sprintf("--window-size=%d,%d", max(screen[0], 500), screen[1])
			s := look(t, framed(good, screen[0], screen[1]), size, "--screenshot="+shot)
			if len(s.console) > 0 {
				t.Errorf("the console says %q", s.console)
			}
			if len(s.requests) > 0 {
				t.Errorf("it asks for %q", s.requests)
			}
			f, err := os.Open(shot)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			img, err := png.Decode(f)
			if err != nil || img.Bounds().Dx() != max(screen[0], 500) {
				t.Errorf("screenshot: %v, %v", err, img)
			}
			w := look(t, framed(asked(good), screen[0], screen[1]), size, "--dump-dom", "--virtual-time-budget=5000")
			var wants, has, cut int
			m := regexp.MustCompile(`<title>width (\d+) of (\d+), cut (\d+)</title>`).FindStringSubmatch(w.dom)
			if m == nil {
				t.Fatal("the page did not say how wide it is")
			}
			fmt.Sscan(strings.Join(m[1:], " "), &wants, &has, &cut)
			if wants > has || has > screen[0] {
				t.Errorf("the page is %d wide on a screen of %d", wants, has)
			}
			if cut > 0 {
				t.Errorf("%d parts of the page are cut off at their side", cut)
			}
		})
	}
}
