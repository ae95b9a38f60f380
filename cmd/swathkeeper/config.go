package main

import (
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/go-viper/mapstructure/v2"
	"github.com/knadh/koanf/parsers/toml/v2"
	"github.com/knadh/koanf/providers/confmap"
	"github.com/knadh/koanf/providers/env/v2"
	"github.com/knadh/koanf/providers/posflag"
	"github.com/knadh/koanf/v2"
	"github.com/spf13/cobra"

	"swathkeeper/measure/banding"
	"swathkeeper/measure/drift"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/judge"
	"swathkeeper/worker/limited"
)

// config is everything that can be set, by flag, by SWATHKEEPER_* variable and by file, in this
// order of precedence.
type config struct {
	Data    string `koanf:"data"`
	Listen  string `koanf:"listen"`
	NATS    string `koanf:"nats"`
	Context string `koanf:"context"`
	Creds   string `koanf:"creds"`
	NKey    string `koanf:"nkey"`
	TLSCA   string `koanf:"tls-ca"`
	// TLSFingerprint is the SHA-256 of the outside bus's certificate.
	TLSFingerprint string `koanf:"tls-fingerprint"`
	ListenCert     string `koanf:"listen-cert"`
	ListenKey      string `koanf:"listen-key"`
	NoSync         bool   `koanf:"no-sync"`
	Log            string `koanf:"log"`
	Zone           string `koanf:"zone"`
	Memory         int    `koanf:"memory"`     // MiB; soft
	Partitions     int    `koanf:"partitions"` // of the own bus's inbox; 0: as it is
	Name           string `koanf:"name"`       // of this worker among those on one bus
	Health         string `koanf:"health"`     // HOST:PORT, or off
	Alive          string `koanf:"alive"`      // address that is to miss a dead worker
	AliveFile      string `koanf:"alive-file"`
	AliveInside    bool   `koanf:"alive-inside"`

	// Chat holds targets by name; --chat gives one without a name.
	Chat      map[string]chatConfig `koanf:"chat"`
	Tolerance toleranceConfig       `koanf:"tolerance"`
	Lines     linesConfig           `koanf:"lines"`
	Alert     alertConfig           `koanf:"alert"`
	Keep      keepConfig            `koanf:"keep"`
}

// toleranceConfig mirrors drift.Tolerances; a field left out keeps its default.
type toleranceConfig struct {
	StrengthPercent float64            `koanf:"strength_percent"`
	TonePoints      float64            `koanf:"tone_points"`
	HueDeg          float64            `koanf:"hue_deg"`
	LoadPercent     float64            `koanf:"load_percent"`
	WhiteDE00       float64            `koanf:"white_de00"`
	GreyDE00        float64            `koanf:"grey_de00"`
	MeanDE00        float64            `koanf:"mean_de00"`
	P95DE00         float64            `koanf:"p95_de00"`
	HouseDE00       float64            `koanf:"house_de00"`
	House           map[string]float64 `koanf:"house"`
	StopFactor      float64            `koanf:"stop_factor"`
}

func (t toleranceConfig) tolerances() drift.Tolerances {
	return drift.Tolerances{
		StrengthPercent: t.StrengthPercent, TonePoints: t.TonePoints, HueDeg: t.HueDeg, LoadPercent: t.LoadPercent,
		WhiteDE00: t.WhiteDE00, GreyDE00: t.GreyDE00, MeanDE00: t.MeanDE00, P95DE00: t.P95DE00, HouseDE00: t.HouseDE00,
		House: t.House, StopFactor: t.StopFactor,
	}
}

// linesConfig says which lines matter to the shop; a field left out keeps its default.
type linesConfig struct {
	ViewingMM      float64 `koanf:"viewing_mm"`
	MattersDE00    float64 `koanf:"matters_de00"`
	MattersLoss    float64 `koanf:"matters_loss"`
	StopVisibility float64 `koanf:"stop_visibility"`
}

// check refuses what would be taken for the default in silence.
func (l linesConfig) check() error {
	for name, v := range map[string]float64{"viewing_mm": l.ViewingMM, "matters_de00": l.MattersDE00, "matters_loss": l.MattersLoss, "stop_visibility": l.StopVisibility} {
		if !(v >= 0) || math.IsInf(v, 0) {
			return usagef("setting lines.%s is %v: it must be above 0, or left out for the default", name, v)
		}
	}
	return nil
}

// envPrefix begins every variable; SWATHKEEPER_TOLERANCE__MEAN_DE00 is tolerance.mean_de00, and
// SWATHKEEPER_NO_SYNC is no-sync.
const envPrefix = "SWATHKEEPER_"

// configFlags are the flags that are settings too; every other flag belongs to its command alone.
var configFlags = []string{"data", "listen", "nats", "context", "creds", "nkey", "tls-ca", "tls-fingerprint", "listen-cert", "listen-key", "no-sync", "partitions", "log", "zone", "memory", "name", "health", "alive", "alive-file", "alive-inside"}

// loadConfig reads file, environment and flags of a command.
func loadConfig(cmd *cobra.Command) (*config, error) {
	k := koanf.New(".")
	path, _ := cmd.Flags().GetString("config")
	if path == "" {
		path = os.Getenv(envPrefix + "CONFIG")
	}
	if path != "" {
		b, err := limited.Read(path, limited.Small)
		if err != nil {
			return nil, usagef("configuration file: %w", err)
		}
		set, err := toml.Parser().Unmarshal(b)
		if err == nil {
			err = k.Load(confmap.Provider(set, ""), nil)
		}
		if err != nil {
			return nil, usagef("configuration file %s: %w", path, err)
		}
	}
	if err := k.Load(env.Provider(".", env.Opt{Prefix: envPrefix, TransformFunc: fromEnvironment}), nil); err != nil {
		return nil, fmt.Errorf("environment: %w", err)
	}
	set := map[string]any{}
	for _, name := range configFlags {
		if f := cmd.Flags().Lookup(name); f != nil && f.Changed {
			set[name] = posflag.FlagVal(cmd.Flags(), f)
		}
	}
	if err := k.Load(confmap.Provider(set, "."), nil); err != nil {
		return nil, fmt.Errorf("flags: %w", err)
	}
	var c config
	var seen mapstructure.Metadata
	err := k.UnmarshalWithConf("", &c, koanf.UnmarshalConf{DecoderConfig: &mapstructure.DecoderConfig{
		Result: &c, TagName: "koanf", WeaklyTypedInput: true,
		Metadata:   &seen,
		DecodeHook: mapstructure.ComposeDecodeHookFunc(mapstructure.StringToTimeDurationHookFunc(), mapstructure.StringToSliceHookFunc(",")),
	}})
	if err != nil {
		return nil, usagef("configuration%s: %w", cond(path != "", " "+path, ""), err)
	}
	if len(seen.Unused) > 0 {
		// A misspelt tolerance must not be ignored in silence.
		slices.Sort(seen.Unused)
		return nil, usagef("there is no setting %s; the handbook lists them (configuration file%s, variables %s*)", strings.Join(seen.Unused, ", "), cond(path != "", " "+path, ""), envPrefix)
	}
	if err := c.Lines.check(); err != nil {
		return nil, err
	}
	if _, err := c.location(); err != nil {
		return nil, err
	}
	if c.Data == "" {
		c.Data = defaultDataDir()
	}
	if !c.outside() && os.Getenv("NATS_URL") != "" && set["data"] == nil {
		c.NATS = os.Getenv("NATS_URL")
	}
	if c.Creds == "" {
		c.Creds = os.Getenv("NATS_CREDS")
	}
	return &c, nil
}

// fromEnvironment names the setting of a variable; two underscores go one level down, and settings
// whose name has a dash are written with an underscore.
func fromEnvironment(key, v string) (string, any) {
	key = strings.ToLower(strings.TrimPrefix(key, envPrefix))
	switch key {
	case "config":
		return "", nil
	case "chat":
		return "chat.chat.url", v
	}
	if !strings.Contains(key, "__") {
		key = strings.ReplaceAll(key, "_", "-")
	}
	return strings.ReplaceAll(key, "__", "."), v
}

func cond[T any](ok bool, yes, no T) T {
	if ok {
		return yes
	}
	return no
}

// outside says that a bus outside this process is named.
func (c *config) outside() bool { return c.NATS != "" || c.Context != "" }

func (c *config) busOptions() bus.ConnectOptions {
	return bus.ConnectOptions{URL: c.NATS, Context: c.Context, Creds: c.Creds, NKey: c.NKey, CA: c.TLSCA, Fingerprint: c.TLSFingerprint}
}

// location is the time zone that is set; the machine's when none is. What is shown of the past is
// shown in the zone that client.zone gives.
func (c *config) location() (*time.Location, error) {
	if c.Zone == "" {
		return time.Local, nil
	}
	loc, err := time.LoadLocation(c.Zone)
	if err != nil {
		return nil, usagef("zone %q: %w; give a name such as Europe/Paris", c.Zone, err)
	}
	return loc, nil
}

func (c *config) judgeOptions() judge.Options {
	return judge.Options{
		Drift: drift.Options{Tolerances: c.Tolerance.tolerances()},
		Lines: banding.Options{ViewingMM: c.Lines.ViewingMM, MattersDE00: c.Lines.MattersDE00, MattersLoss: c.Lines.MattersLoss, StopVisibility: c.Lines.StopVisibility},
	}
}
