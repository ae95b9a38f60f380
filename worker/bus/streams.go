package bus

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
)

// ScanAge is how long pictures of charts are kept: they are large, and their readings outlast them.
const ScanAge = 90 * 24 * time.Hour

// Durable is the name of the consumer that judges the inbox, and how those begin that judge its parts.
const Durable = "judge"

// Limits bounds what the streams and stores may hold, in bytes. Streams refuse what does not fit
// and stations then keep it: nothing is thrown away to make room.
type Limits struct {
	Inbox, Record, Baselines, Scans int64
	// Rows bounds the rows, which are made of the records: the oldest go when it is reached.
	Rows     int64
	Replicas int
	// Partitions is into how many parts the inbox is divided; 0: it stays as it is, a new one whole.
	Partitions int
}

// DefaultLimits suits one machine: 8.5 GiB in all.
func DefaultLimits() Limits {
	return Limits{Inbox: 3 << 30, Record: 3 << 30, Baselines: 1 << 30, Scans: 1 << 30, Rows: defaultRows, Replicas: 1}
}

const defaultRows = 512 << 20

// Total is what a store must be allowed to grow to.
func (l Limits) Total() int64 { return l.Inbox + l.Record + l.Baselines + l.Scans + l.rows() + slack }

// slack is room for the key-value stores, and for what earlier releases may have left behind.
const slack = 2 << 30

func (l Limits) rows() int64 {
	if l.Rows == 0 {
		return defaultRows
	}
	return l.Rows
}

// InboxWindow is for how long the inbox knows what it was sent, so that it is stored once however
// often it is sent. The ids are held in memory, as long as their senders make them, and read from the
// disk at each start: a longer time would let a stolen key keep the worker from starting for as long.
// What is sent again later is known to the judge, who gives nothing a second verdict.
const InboxWindow = 10 * time.Minute

// streams are the streams as they are made.
func streams(l Limits) []jetstream.StreamConfig {
	list := []jetstream.StreamConfig{
		{
			Name:        protocol.StreamInbox,
			Description: "readings and notes, in the order in which they came",
			Subjects:    []string{protocol.SubjectReadings, protocol.SubjectNotes},
			MaxBytes:    l.Inbox,
			Duplicates:  InboxWindow,
		},
		{
			Name:        protocol.StreamRecord,
			Description: "one record for each input; the worker's memory",
			Subjects:    []string{protocol.SubjectRecords},
			MaxBytes:    l.Record,
			Duplicates:  2 * time.Minute,
		},
	}
	if l.Partitions > 1 {
		list[0].SubjectTransform = transform(l.Partitions)
		setDivisions(&list[0], []int{l.Partitions})
	}
	for i := range list {
		c := &list[i]
		c.Retention, c.Storage, c.Discard = jetstream.LimitsPolicy, jetstream.FileStorage, jetstream.DiscardNew
		c.MaxMsgSize, c.AllowDirect, c.Replicas = 1<<20, true, l.Replicas
	}
	return list
}

// scans is the stream of pictures as it is made. Each part of a picture has a subject of its own that
// takes one message and no second, and no rollups are allowed: whoever may store pictures can add to
// them, and can neither replace one nor take it away, as an object store would let them.
func scans(l Limits) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:                 protocol.StreamScans,
		Description:          "pictures behind readings, in parts, by digest",
		Subjects:             []string{protocol.SubjectScans},
		Retention:            jetstream.LimitsPolicy,
		Storage:              jetstream.FileStorage,
		Discard:              jetstream.DiscardNew,
		DiscardNewPerSubject: true,
		MaxMsgsPerSubject:    1,
		MaxBytes:             l.Scans,
		MaxMsgSize:           1 << 20,
		MaxAge:               ScanAge,
		Duplicates:           2 * time.Minute,
		AllowDirect:          true,
		Replicas:             l.Replicas,
	}
}

func keyValues(l Limits) []jetstream.KeyValueConfig {
	list := []jetstream.KeyValueConfig{
		{Bucket: protocol.BucketCharts, Description: "chart layouts", MaxBytes: 128 << 20, MaxValueSize: 1 << 20},
		{Bucket: protocol.BucketActive, Description: "the baseline in force of each series", MaxBytes: 64 << 20, History: 8},
		{Bucket: protocol.BucketSent, Description: "what chat has delivered", MaxBytes: 128 << 20, TTL: 30 * 24 * time.Hour},
	}
	for i := range list {
		list[i].Replicas = l.Replicas
	}
	return list
}

func objects(l Limits) []jetstream.ObjectStoreConfig {
	return []jetstream.ObjectStoreConfig{
		{Bucket: protocol.BucketBaselines, Description: "baselines, by digest", MaxBytes: l.Baselines, Replicas: l.Replicas},
	}
}

// Provision creates the streams, stores and the judging consumer where they are missing, and
// leaves alone what is there. It refuses what would lose data, as Check does.
func Provision(ctx context.Context, js jetstream.JetStream, l Limits) error {
	if l.Partitions < 0 || l.Partitions > MaxPartitions {
		return fmt.Errorf("%d partitions: give 1 to %d", l.Partitions, MaxPartitions)
	}
	for _, c := range append(streams(l), scans(l)) {
		s, err := js.Stream(ctx, c.Name)
		switch {
		case errors.Is(err, jetstream.ErrStreamNotFound):
			_, err = js.CreateStream(ctx, c)
		case err == nil && c.Name == protocol.StreamInbox && s.CachedInfo().Config.Duplicates > InboxWindow:
			was := s.CachedInfo().Config // made by an earlier release
			was.Duplicates = InboxWindow
			// On a full disk it fails, and is done at a later start: no reason not to work until then.
			if _, no := js.UpdateStream(ctx, was); no != nil && !strings.Contains(no.Error(), noSpace) {
				err = no
			}
		}
		if err != nil {
			return fmt.Errorf("stream %s: %w", c.Name, err)
		}
	}
	if err := provisionRows(ctx, js, l); err != nil {
		return err
	}
	if err := provisionParts(ctx, js, l); err != nil {
		return err
	}
	for _, c := range keyValues(l) {
		if _, err := js.KeyValue(ctx, c.Bucket); err == nil {
			continue
		}
		if _, err := js.CreateKeyValue(ctx, c); err != nil && !errors.Is(err, jetstream.ErrBucketExists) {
			return fmt.Errorf("store %s: %w", c.Bucket, err)
		}
	}
	for _, c := range objects(l) {
		if _, err := js.ObjectStore(ctx, c.Bucket); err == nil {
			continue
		}
		if _, err := js.CreateObjectStore(ctx, c); err != nil && !errors.Is(err, jetstream.ErrBucketExists) {
			return fmt.Errorf("store %s: %w", c.Bucket, err)
		}
	}
	return Check(ctx, js)
}

// noSpace is in what the server says where its disk is full: the system's own words, errno ENOSPC.
const noSpace = "no space left on device"

// provisionRows creates the stream of rows. Rows are made of records and can be made again, so here
// the disk may lag behind, and the oldest may go.
func provisionRows(ctx context.Context, js jetstream.JetStream, l Limits) error {
	if _, err := js.Stream(ctx, protocol.StreamRows); !errors.Is(err, jetstream.ErrStreamNotFound) {
		if err != nil {
			return fmt.Errorf("stream %s: %w", protocol.StreamRows, err)
		}
		return nil
	}
	c := jetstream.StreamConfig{
		Name:        protocol.StreamRows,
		Description: "one short row for each record, for looking back quickly; made of the records, and made again where it is missing",
		Subjects:    []string{protocol.SubjectRows},
		MaxBytes:    l.rows(),
		Discard:     jetstream.DiscardOld,
		Retention:   jetstream.LimitsPolicy,
		Storage:     jetstream.FileStorage,
		MaxMsgSize:  1 << 16,
		AllowDirect: true,
		Duplicates:  time.Second, // their order keeps them from being doubled
		Replicas:    l.Replicas,
	}
	if l.Replicas <= 1 {
		c.PersistMode = jetstream.AsyncPersistMode
	}
	_, err := js.CreateStream(ctx, c)
	if err != nil && c.PersistMode != jetstream.DefaultPersistMode {
		c.PersistMode = jetstream.DefaultPersistMode // an older server outside
		_, err = js.CreateStream(ctx, c)
	}
	if err != nil && !errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) {
		return fmt.Errorf("stream %s: %w", protocol.StreamRows, err)
	}
	return nil
}

// pinnedTTL is how long a judging worker may be silent before another takes over.
const pinnedTTL = 4 * time.Second

// consumer is the judging consumer as it is made.
func consumer(l Limits) jetstream.ConsumerConfig {
	return jetstream.ConsumerConfig{
		Durable:        Durable,
		Description:    "judges readings and notes in order",
		AckPolicy:      jetstream.AckExplicitPolicy,
		AckWait:        AckWait,
		MaxDeliver:     -1,
		MaxAckPending:  1, // strict order, also over a takeover
		PriorityPolicy: jetstream.PriorityPolicyPinned,
		PriorityGroups: []string{Durable},
		PinnedTTL:      pinnedTTL,
		Replicas:       l.Replicas,
	}
}

// importedKey is where the judging consumer of an imported inbox says up to which input the records
// that came with it know the outcome.
const importedKey = "swathkeeper-judged"

// importedAfter reports whether a consumer begins right after what an import brought judged.
func importedAfter(c jetstream.ConsumerConfig) bool {
	return c.DeliverPolicy == jetstream.DeliverByStartSequencePolicy && c.OptStartSeq > 0 && c.Metadata[importedKey] == strconv.FormatUint(c.OptStartSeq-1, 10)
}

// ProvisionAfter is Provision for a bus whose inbox was brought from elsewhere: what stands in it up
// to a sequence has its records, and judging begins after it, in whatever parts the inbox was divided. (The server gives a restored stream
// another time of creation, so the records alone could not tell.)
// byPart gives, for a divided inbox, the sequence of each consumer.
func ProvisionAfter(ctx context.Context, js jetstream.JetStream, l Limits, judged uint64, byPart map[string]uint64) error {
	d, err := ReadDivision(ctx, js)
	if err != nil {
		return err
	}
	l.Partitions = 0
	for _, p := range append(slices.Clone(d.Parts), d.Before...) {
		c := consumer(l)
		c.Durable, c.PriorityGroups = p.Consumer, []string{p.Consumer}
		if p.Of > 1 || len(d.Before) > 0 {
			c.FilterSubject = p.Subject
		}
		upTo := judged
		if byPart != nil {
			var ok bool
			if upTo, ok = byPart[p.Consumer]; !ok {
				return fmt.Errorf("consumer %s: it is not said up to where its inputs have their records", p.Consumer)
			}
		} else if p.Of > 1 || len(d.Before) > 0 {
			return errors.New("the inbox is divided, and it is not said up to where each part has its records")
		}
		c.DeliverPolicy, c.OptStartSeq = jetstream.DeliverByStartSequencePolicy, upTo+1
		c.Metadata = map[string]string{importedKey: strconv.FormatUint(upTo, 10)}
		if _, err := js.CreateConsumer(ctx, protocol.StreamInbox, c); err != nil {
			return fmt.Errorf("consumer %s: %w", p.Consumer, err)
		}
	}
	return Provision(ctx, js, l)
}

// AckWait is how long the input that a killed worker had in hand waits for the next worker. A worker
// that is alive says so while it works, well within it.
const AckWait = 6 * time.Second

// checkConsumer looks at the consumer of a part; divided says that the inbox holds, or held, inputs of
// other divisions.
func checkConsumer(ctx context.Context, js jetstream.JetStream, p Part, divided bool) error {
	name := p.Consumer
	got, err := js.Consumer(ctx, protocol.StreamInbox, name)
	if errors.Is(err, jetstream.ErrConsumerNotFound) || errors.Is(err, jetstream.ErrStreamNotFound) {
		return fmt.Errorf("consumer %s %w", name, ErrNotProvisioned)
	}
	if err != nil {
		return fmt.Errorf("consumer %s: %w", name, err)
	}
	c := got.CachedInfo().Config
	switch {
	case c.MaxAckPending != 1 || c.AckPolicy != jetstream.AckExplicitPolicy:
		return fmt.Errorf("consumer %s does not keep the order of readings: it must have max ack pending 1 and explicit acknowledgement", name)
	case c.MaxDeliver > 0:
		return fmt.Errorf("consumer %s gives a reading up after %d deliveries: set max deliver to -1", name, c.MaxDeliver)
	case c.InactiveThreshold > 0:
		return fmt.Errorf("consumer %s is deleted when no worker runs for %s: remove its inactive threshold", name, c.InactiveThreshold)
	case c.FilterSubject == "" && len(c.FilterSubjects) == 0 && p.Of == 1 && !divided:
	case c.FilterSubject != p.Subject || len(c.FilterSubjects) > 0:
		return fmt.Errorf("consumer %s leaves out, or takes too much of, what it judges: its filter must be %s", name, p.Subject)
	}
	switch {
	case c.DeliverPolicy != jetstream.DeliverAllPolicy && !importedAfter(c):
		return fmt.Errorf("consumer %s does not begin with the first reading: make it with deliver all", name)
	case c.PriorityPolicy != jetstream.PriorityPolicyPinned || !slices.Contains(c.PriorityGroups, name):
		return fmt.Errorf("consumer %s does not keep to one worker: it must be pinned, with the group %s", name, name)
	}
	return nil
}
