package main

import (
	"encoding/json"
	"io"
	"net/http"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"swathkeeper/worker/bus"
)

// probe asks the worker's own address for its health.
func (p *program) probe(path string) (int, string) {
	p.t.Helper()
	ep, err := bus.ReadEndpoint(p.dir)
	if err != nil {
		p.t.Fatal(err)
	}
	resp, err := http.Get("http://" + ep.Health + path)
	if err != nil {
		p.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		p.t.Fatal(err)
	}
	return resp.StatusCode, string(b)
}

const deployDir = "../../deploy"

// TestUnitIsHardened lets systemd itself rate the unit.
func TestUnitIsHardened(t *testing.T) {
	if _, err := osexec.LookPath("systemd-analyze"); err != nil {
		t.Skip("no systemd-analyze here")
	}
	// 50 of 100 is where systemd's OK ends (systemd-analyze(1), "security"); the unit is well below.
	out, err := osexec.Command("systemd-analyze", "security", "--offline=true", "--threshold=20", deployDir+"/systemd/swathkeeper.service").CombinedOutput()
	if err != nil || !strings.Contains(string(out), "OK") {
		lines := strings.Split(strings.TrimSpace(string(out)), "\n")
		t.Errorf("%v: %s", err, lines[len(lines)-1])
	}
}

// TestUnitIsUnderstood lets systemd itself read the unit: a misspelt line is passed over by it with no
// more than a word in the journal.
func TestUnitIsUnderstood(t *testing.T) {
	t.Parallel()
	if _, err := osexec.LookPath("systemd-analyze"); err != nil {
		t.Skip("no systemd-analyze here")
	}
	b, err := os.ReadFile(filepath.Join(deployDir, "systemd/swathkeeper.service"))
	if err != nil {
		t.Fatal(err)
	}
	verify := func(text string) string {
		t.Helper()
		// The program and its page need not be installed here.
		text = strings.ReplaceAll(text, "/usr/local/bin/swathkeeper", os.Args[0])
		text = regexp.MustCompile(`(?m)^Documentation=.*\n`).ReplaceAllString(text, "")
		file := filepath.Join(t.TempDir(), "swathkeeper.service")
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := osexec.Command("systemd-analyze", "verify", "--man=no", file).CombinedOutput()
		if err != nil {
			return string(out) + err.Error()
		}
		return string(out)
	}
	if out := verify(string(b)); strings.Contains(out, "swathkeeper.service") {
		t.Error(out)
	}
	if out := verify(strings.Replace(string(b), "ProtectHome=", "ProtectHomes=", 1)); !strings.Contains(out, "ProtectHomes") {
		t.Errorf("a misspelt line is not found out: %s", out)
	}
}

// TestMetricsAreKnown holds every metric that the alert rules and the dashboard ask for against what
// a running worker shows, and the files against their formats.
func TestMetricsAreKnown(t *testing.T) {
	p := &program{t: t, dir: t.TempDir()}
	p.start("--chat", "console")
	_, figures := p.probe("/metrics")
	known := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^# TYPE (\S+) (\S+)`).FindAllStringSubmatch(figures, -1) {
		known[m[1]] = true
		if m[2] == "histogram" {
			known[m[1]+"_bucket"], known[m[1]+"_sum"], known[m[1]+"_count"] = true, true, true
		}
	}
	var expressions []string
	var rules struct {
		Groups []struct {
			Rules []struct {
				Alert, Expr string
				Annotations map[string]string
				Labels      map[string]string
			}
		}
	}
	readYAML(t, "prometheus/swathkeeper.rules.yaml", &rules)
	for _, g := range rules.Groups {
		for _, r := range g.Rules {
			expressions = append(expressions, r.Expr)
			if r.Annotations["summary"] == "" || r.Annotations["next"] == "" || r.Labels["severity"] == "" {
				t.Errorf("alert %s lacks a summary, a next step or a severity", r.Alert)
			}
		}
	}
	var board struct {
		Panels []struct {
			Title   string
			Targets []struct{ Expr string }
		}
	}
	b, err := os.ReadFile(filepath.Join(deployDir, "grafana/swathkeeper.json"))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &board); err != nil {
		t.Fatal(err)
	}
	for _, panel := range board.Panels {
		for _, target := range panel.Targets {
			expressions = append(expressions, target.Expr)
		}
	}
	if len(expressions) < 25 {
		t.Errorf("only %d expressions", len(expressions))
	}
	for _, e := range expressions {
		names := regexp.MustCompile(`\b(swathkeeper|process)_\w+`).FindAllString(e, -1)
		if len(names) == 0 {
			t.Errorf("no metric in %s", e)
		}
		for _, n := range names {
			if !known[n] {
				t.Errorf("the worker shows no %s, asked for by: %s", n, e)
			}
		}
	}
}

// TestAlertRules lets Prometheus's own tool try the alert rules: each fires when it should, none while
// all is well. A rule that was spoilt must be found out.
func TestAlertRules(t *testing.T) {
	t.Parallel()
	if _, err := osexec.LookPath("promtool"); err != nil {
		t.Skip("no promtool here (Debian's package prometheus)")
	}
	const rules, tests = "swathkeeper.rules.yaml", "swathkeeper.rules.test.yaml"
	dir := filepath.Join(deployDir, "prometheus")
	promtool := func(dir string, args ...string) (string, error) {
		c := osexec.Command("promtool", args...)
		c.Dir = dir
		out, err := c.CombinedOutput()
		return string(out), err
	}
	if out, err := promtool(dir, "check", "rules", "--lint=all", "--lint-fatal", rules); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
	if out, err := promtool(dir, "test", "rules", tests); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
	text, err := os.ReadFile(filepath.Join(dir, rules))
	if err != nil {
		t.Fatal(err)
	}
	cases, err := os.ReadFile(filepath.Join(dir, tests))
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`(?m)^ +- alert: (\w+)\n +expr: (.*)$`).FindAllStringSubmatch(string(text), -1) {
		spoilt := t.TempDir()
		for name, data := range map[string]string{rules: strings.Replace(string(text), "expr: "+m[2], "expr: vector(0) == 1", 1), tests: string(cases)} {
			if err := os.WriteFile(filepath.Join(spoilt, name), []byte(data), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if out, err := promtool(spoilt, "test", "rules", tests); err == nil {
			t.Errorf("%s never fires, and no test finds out:\n%s", m[1], out)
		}
	}
}

func readYAML(t *testing.T, name string, into any) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(deployDir, name))
	if err != nil {
		t.Fatal(err)
	}
	if err := yaml.Unmarshal(b, into); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
}

// TestManifests holds the Kubernetes manifests against what the program offers: its flags and paths,
// and against what a careful cluster asks of a workload.
func TestManifests(t *testing.T) {
	b, err := os.ReadFile(filepath.Join(deployDir, "kubernetes/swathkeeper.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	d := yaml.NewDecoder(strings.NewReader(string(b)))
	var kinds []string
	for {
		var doc map[string]any
		if d.Decode(&doc) != nil {
			break
		}
		kind, _ := doc["kind"].(string)
		kinds = append(kinds, kind)
		for _, field := range fieldsOf(kind, doc) {
			if !manifestFields[field] {
				t.Errorf("%s is no field that is known: hold it against the API's own types, and add it to the test", field)
			}
		}
		if kind != "Deployment" {
			continue
		}
		var dep struct {
			Spec struct {
				Template struct {
					Spec struct {
						SecurityContext struct {
							RunAsNonRoot bool `yaml:"runAsNonRoot"`
						} `yaml:"securityContext"`
						Containers []struct {
							Args            []string
							SecurityContext struct {
								ReadOnly   bool  `yaml:"readOnlyRootFilesystem"`
								Escalation *bool `yaml:"allowPrivilegeEscalation"`
							} `yaml:"securityContext"`
							Liveness  probe `yaml:"livenessProbe"`
							Readiness probe `yaml:"readinessProbe"`
						}
					}
				}
			}
		}
		again, err := yaml.Marshal(doc)
		if err != nil {
			t.Fatal(err)
		}
		if err := yaml.Unmarshal(again, &dep); err != nil {
			t.Fatal(err)
		}
		pod := dep.Spec.Template.Spec
		c := pod.Containers[0]
		if !pod.SecurityContext.RunAsNonRoot || !c.SecurityContext.ReadOnly || c.SecurityContext.Escalation == nil || *c.SecurityContext.Escalation {
			t.Error("the container may run as root, write its root, or gain rights")
		}
		if c.Liveness.Get.Path != "/healthz" || c.Readiness.Get.Path != "/readyz" {
			t.Errorf("probes ask %s and %s", c.Liveness.Get.Path, c.Readiness.Get.Path)
		}
		run := newRoot()
		cmd, _, err := run.Find(c.Args[:1])
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.ParseFlags(c.Args[1:]); err != nil {
			t.Errorf("the container's command line: %v", err)
		}
	}
	if strings.Join(kinds, " ") != "ConfigMap Deployment PodDisruptionBudget NetworkPolicy" {
		t.Errorf("kinds %v", kinds)
	}
}

type probe struct {
	Get struct{ Path string } `yaml:"httpGet"`
}

// TestFirstConfiguration: the configuration that the unit comes with is taken.
func TestFirstConfiguration(t *testing.T) {
	p := &program{t: t, dir: t.TempDir()}
	out, _ := p.try("doctor", "--config", deployDir+"/systemd/swathkeeper.toml")
	if strings.Contains(out, "fault  configuration") {
		t.Error(out)
	}
}
