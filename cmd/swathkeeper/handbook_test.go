package main

import (
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

// The handbook, which the error about an unknown setting sends people to, shows every setting that is
// no flag, under its section, and shows none that is refused.
func TestHandbookHasEverySetting(t *testing.T) {
	text, err := os.ReadFile("../../deploy/HANDBOOK.md")
	if err != nil {
		t.Fatal(err)
	}
	_, after, _ := strings.Cut(string(text), "\n## Settings\n")
	_, after, _ = strings.Cut(after, "```toml\n")
	block, _, ok := strings.Cut(after, "```")
	if !ok {
		t.Fatal("the handbook's settings are no TOML any more")
	}
	// Its own file must be there to be read.
	secret := t.TempDir() + "/night-url"
	if err := os.WriteFile(secret, []byte("console\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, err := configured(t, strings.ReplaceAll(block, "/etc/swathkeeper/night-url", secret))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := cfg.chatTargets(); err != nil {
		t.Error(err)
	}
	if _, err := cfg.alertOptions(time.UTC); err != nil {
		t.Error(err)
	}
	if _, err := cfg.Keep.policy(); err != nil {
		t.Error(err)
	}

	in := map[string]string{} // what stands under each section
	section := ""
	for line := range strings.Lines(block) {
		if m := regexp.MustCompile(`^\[+([a-z.]+)\]`).FindStringSubmatch(line); m != nil {
			if section = m[1]; strings.HasPrefix(section, "chat.") {
				section = "chat"
			}
		}
		in[section] += line
	}
	var check func(section string, of reflect.Type)
	check = func(section string, of reflect.Type) {
		for f := range of.Fields() {
			key, kind := f.Tag.Get("koanf"), f.Type
			below := strings.TrimPrefix(section+"."+key, ".")
			switch {
			case kind.Kind() == reflect.Struct:
				check(below, kind)
			case hasStruct(kind):
				check(below, kind.Elem())
			case section == "" && slices.Contains(configFlags, key):
			case kind.Kind() == reflect.Map:
				if in[below] == "" {
					t.Errorf("the handbook does not show the section %s", below)
				}
			case !regexp.MustCompile(`(?m)^`+key+` = `).MatchString(in[section]) && !(section == "chat" && key == "url"): // it shows url_file, the safer one
				t.Errorf("the handbook does not show %s", below)
			}
		}
	}
	check("", reflect.TypeFor[config]())
}

func hasStruct(t reflect.Type) bool {
	k := t.Kind()
	return (k == reflect.Slice || k == reflect.Map) && t.Elem().Kind() == reflect.Struct
}
