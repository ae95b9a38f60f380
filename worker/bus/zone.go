package bus

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/zones"
)

// What a worker notes of itself lies beside the baselines in force: the shop's zone, and the certificate that
// it showed last. No site's name begins with a dash.
const (
	ownKeys        = "-"
	zoneKey        = ownKeys + "zone"
	certificateKey = ownKeys + "certificate"
)

// IsOwnKey says that a key of the store of baselines in force is no series' but the worker's own.
func IsOwnKey(key string) bool { return strings.HasPrefix(key, ownKeys) }

// TellCertificate notes the fingerprint of the certificate that a worker shows, and gives the one that was
// noted before; empty: none was.
func TellCertificate(ctx context.Context, js jetstream.JetStream, fingerprint string) (before string, err error) {
	kv, err := js.KeyValue(ctx, protocol.BucketActive)
	if err != nil {
		return "", fmt.Errorf("store %s: %w", protocol.BucketActive, err)
	}
	if before, err = readOwn(ctx, kv, certificateKey); err == nil && before != fingerprint {
		_, err = kv.PutString(ctx, certificateKey, fingerprint)
	}
	if err != nil {
		return before, fmt.Errorf("the certificate's fingerprint was not noted: %w", err)
	}
	return before, nil
}

// TellZone notes the shop's zone, so that whoever shows its times shows them in it. A zone without a
// name is taken away: a wrong one would be worse than none. It gives the name that was noted before.
func TellZone(ctx context.Context, js jetstream.JetStream, zone *time.Location) (before string, err error) {
	kv, err := js.KeyValue(ctx, protocol.BucketActive)
	if err != nil {
		return "", fmt.Errorf("store %s: %w", protocol.BucketActive, err)
	}
	if before, err = readOwn(ctx, kv, zoneKey); err != nil {
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
	name, err := readOwn(ctx, kv, zoneKey)
	if err != nil || name == "" {
		return nil, err
	}
	zone, err := time.LoadLocation(name)
	if err != nil {
		return nil, nil //nolint:nilerr // a zone of a later database: the machine's has to do
	}
	return zone, nil
}

func readOwn(ctx context.Context, kv jetstream.KeyValue, key string) (string, error) {
	e, err := kv.Get(ctx, key)
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("store %s: %s: %w", protocol.BucketActive, key, err)
	}
	return string(e.Value()), nil
}
