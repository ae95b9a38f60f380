package bus

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/zones"
)

// zoneKey is where the shop's zone lies, beside the baselines in force. No site's name begins with a
// dash.
const zoneKey = "-zone"

// IsZoneKey says that a key of the store of baselines in force is no series' but the zone's.
func IsZoneKey(key string) bool { return key == zoneKey }

// TellZone notes the shop's zone, so that whoever shows its times shows them in it. A zone without a
// name is taken away: a wrong one would be worse than none. It gives the name that was noted before.
func TellZone(ctx context.Context, js jetstream.JetStream, zone *time.Location) (before string, err error) {
	kv, err := js.KeyValue(ctx, protocol.BucketActive)
	if err != nil {
		return "", fmt.Errorf("store %s: %w", protocol.BucketActive, err)
	}
	if before, err = readZone(ctx, kv); err != nil {
		return "", err
	}
	switch name := zones.Name(zone); name {
	case before:
	case "":
		err = kv.Delete(ctx, zoneKey)
	default:
		_, err = kv.PutString(ctx, zoneKey, name)
	}
	if err != nil {
		return before, fmt.Errorf("the shop's time zone was not noted: %w", err)
	}
	return before, nil
}

// ShopZone gives the shop's zone as its worker noted it; nil where none did, or where this program does not
// know it.
func ShopZone(ctx context.Context, js jetstream.JetStream) (*time.Location, error) {
	kv, err := js.KeyValue(ctx, protocol.BucketActive)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("store %s: %w", protocol.BucketActive, err)
	}
	name, err := readZone(ctx, kv)
	if err != nil || name == "" {
		return nil, err
	}
	zone, err := time.LoadLocation(name)
	if err != nil {
		return nil, nil //nolint:nilerr // a zone of a later database: the machine's has to do
	}
	return zone, nil
}

func readZone(ctx context.Context, kv jetstream.KeyValue) (string, error) {
	e, err := kv.Get(ctx, zoneKey)
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("the shop's time zone: %w", err)
	}
	return string(e.Value()), nil
}
