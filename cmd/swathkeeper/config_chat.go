package main

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"swathkeeper/worker/chat"
	"swathkeeper/worker/limited"
)

// chatConfig is one chat target.
type chatConfig struct {
	URL      string   `koanf:"url"`
	URLFile  string   `koanf:"url_file"` // the URL stands in this file, since it is a secret
	Sites    []string `koanf:"sites"`
	Printers []string `koanf:"printers"`
	Level    string   `koanf:"level"` // act (default) or stop
	Quiet    string   `koanf:"quiet"` // like 22:00-06:00
	Digest   string   `koanf:"digest"`
	Inside   bool     `koanf:"inside"` // the URL may lead to this machine
	// NoPicture leaves out the small picture where the service takes one.
	NoPicture bool `koanf:"no_picture"`
}

// chatFlags name chat targets on the command line.
type chatFlags struct {
	urls   []string
	inside bool
}

func (f *chatFlags) add(c *cobra.Command) {
	c.Flags().StringArrayVar(&f.urls, "chat", nil, "where alerts go: console, or the URL of a webhook or chat service; may be repeated (others on this machine can read a command line: a secret URL belongs into the configuration file)")
	c.Flags().BoolVar(&f.inside, "chat-inside", false, "let --chat lead to this machine by a name, for a receiver that runs on it")
}

// addTo adds the targets of --chat to the settings. They have no name of their own: names are given by
// place, so that the same command line finds its place in the records again after a restart.
func (f *chatFlags) addTo(c *config) {
	if c.Chat == nil {
		c.Chat = map[string]chatConfig{}
	}
	for i, url := range f.urls {
		name := "chat"
		if i > 0 {
			name = fmt.Sprintf("chat-%d", i+1)
		}
		c.Chat[name] = chatConfig{URL: url, Inside: f.inside}
	}
}

// settings are a command's, with the targets of --chat among them.
func (f *chatFlags) settings(c *cobra.Command) (*config, []chat.Target, error) {
	cfg, err := loadConfig(c)
	if err != nil {
		return nil, nil, err
	}
	f.addTo(cfg)
	targets, err := cfg.chatTargets()
	return cfg, targets, err
}

// chatTargets gives the targets in the order of their names.
func (c *config) chatTargets() ([]chat.Target, error) {
	var out []chat.Target
	for _, name := range slices.Sorted(maps.Keys(c.Chat)) {
		t, err := c.Chat[name].target(name)
		if err != nil {
			return nil, err
		}
		out = append(out, t)
	}
	return out, nil
}

func (c chatConfig) target(name string) (chat.Target, error) {
	t := chat.Target{
		Name: name, URL: c.URL, Sites: c.Sites, Printers: c.Printers, Level: c.Level, Quiet: c.Quiet, Digest: c.Digest,
		AllowLocal: c.Inside, NoPicture: c.NoPicture,
	}
	if c.URLFile != "" {
		b, err := limited.Read(c.URLFile, limited.Small)
		if err != nil {
			return t, usagef("chat.%s.url_file: %w", name, err)
		}
		if t.URL = strings.TrimSpace(string(b)); t.URL == "" {
			return t, usagef("chat.%s.url_file %s is empty: put the target's URL into it", name, c.URLFile)
		}
	}
	if err := t.Validate(); err != nil {
		return t, &usageError{err}
	}
	return t, nil
}
