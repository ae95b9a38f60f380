package main

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"swathkeeper/worker/chat"
	"swathkeeper/worker/limited"
)

// addChats adds the targets of --chat, which have no name of their own. Names are given by place, so
// that the same command line finds its place in the records again after a restart.
func (c *config) addChats(urls []string, inside bool) {
	if c.Chat == nil {
		c.Chat = map[string]chatConfig{}
	}
	for i, url := range urls {
		name := "chat"
		if i > 0 {
			name = fmt.Sprintf("chat-%d", i+1)
		}
		c.Chat[name] = chatConfig{URL: url, Inside: inside}
	}
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
