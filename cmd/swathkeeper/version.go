package main

import (
	"encoding/json"
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// version and revision (the commit) are set at release by the linker.
var version, revision = "", ""

// versionText is the release, or else what the build knows of its revision.
func versionText() string {
	if version != "" {
		return version
	}
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" && len(s.Value) >= 12 {
				return "devel-" + s.Value[:12]
			}
		}
	}
	return "devel"
}

func newVersion() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:     "version",
		Short:   "Print the version",
		Example: "  swathkeeper version\n  swathkeeper version --json",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if asJSON {
				out := map[string]string{"version": versionText(), "go": runtime.Version(), "os": runtime.GOOS, "arch": runtime.GOARCH}
				if revision != "" {
					out["revision"] = revision
				}
				return json.NewEncoder(c.OutOrStdout()).Encode(out)
			}
			_, err := fmt.Fprintf(c.OutOrStdout(), "swathkeeper %s (%s, %s/%s)\n", versionText(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return err
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}
