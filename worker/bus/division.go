package bus

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"slices"
	"strconv"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
)

// The inbox may be divided among several judging consumers, so that several workers, or the cores of
// one, judge at a time. A printer's inputs all fall to one part, by a number that the server makes of
// site and printer and puts in front of the subject, and so keep their order.
//
// How many parts there were stands in front as well: were the inbox divided anew into another number,
// no consumer of the one division would ever see an input of the other. The inputs of an earlier
// division are all judged before the first of a later one.

// MaxPartitions is the largest number of parts of an inbox.
const MaxPartitions = 64

// Part is one part of the inbox.
type Part struct {
	Of, Number int
	// Consumer judges it, and is the name of its group of workers.
	Consumer string
	// Subject is that of its inputs as they are stored, with wildcards.
	Subject string
}

// parts gives the parts of an inbox divided into n.
func parts(n int) []Part {
	if n <= 1 {
		return []Part{{Of: 1, Consumer: Durable, Subject: undivided}}
	}
	list := make([]Part, n)
	for i := range list {
		list[i] = Part{Of: n, Number: i, Consumer: fmt.Sprintf("%s-%d-%d", Durable, n, i), Subject: fmt.Sprintf("%d.%d.>", n, i)}
	}
	return list
}

// Ahead is the subject under which a part's inputs are read ahead of their turn. Where there are no others
// in the inbox it names all of it, since the server then need not look at each input to count those that
// wait.
func (d *Division) Ahead(p Part) string {
	if p.Of == 1 && len(d.Before) == 0 {
		return ">"
	}
	return p.Subject
}

// undivided are the inputs of an inbox that is not divided.
const undivided = "swk.>"

// PartOf says into which part of n the inputs of a printer fall, as the server does: FNV-1a of site and
// printer.
func PartOf(site, printer string, n int) int {
	if n <= 1 {
		return 0
	}
	h := fnv.New32a()
	_, _ = h.Write([]byte(site + printer))
	return int(h.Sum32() % uint32(n))
}

// transform is how the inbox renames what it takes when it is divided into n; nil: it does not.
func transform(n int) *jetstream.SubjectTransformConfig {
	if n <= 1 {
		return nil
	}
	return &jetstream.SubjectTransformConfig{
		Source:      "swk.*.*.*",
		Destination: fmt.Sprintf("%d.{{partition(%d,2,3)}}.swk.{{wildcard(1)}}.{{wildcard(2)}}.{{wildcard(3)}}", n, n),
	}
}

// divided gives into how many parts a transform divides the inbox.
func divided(t *jetstream.SubjectTransformConfig) (int, error) {
	if t == nil || t.Source == "" && t.Destination == "" {
		return 1, nil
	}
	head, _, _ := strings.Cut(t.Destination, ".")
	n, err := strconv.Atoi(head)
	if err != nil || n < 2 || n > MaxPartitions || *t != *transform(n) {
		return 0, fmt.Errorf("stream %s renames what it takes: remove its subject transform, or let `swathkeeper init --partitions` make it", protocol.StreamInbox)
	}
	return n, nil
}

// divisionsKey is where the stream says into how many parts it has ever been divided, the newest last.
const divisionsKey = "swathkeeper-divisions"

func pastDivisions(c jetstream.StreamConfig) []int {
	text, ok := c.Metadata[divisionsKey]
	if !ok {
		return []int{1}
	}
	var list []int
	for _, word := range strings.Fields(text) {
		if n, err := strconv.Atoi(word); err == nil && n >= 1 && n <= MaxPartitions && !slices.Contains(list, n) {
			list = append(list, n)
		}
	}
	return list
}

func setDivisions(c *jetstream.StreamConfig, list []int) {
	words := make([]string, len(list))
	for i, n := range list {
		words[i] = strconv.Itoa(n)
	}
	if c.Metadata == nil {
		c.Metadata = map[string]string{}
	}
	c.Metadata[divisionsKey] = strings.Join(words, " ")
}

// Division is how the inbox is divided.
type Division struct {
	Parts []Part
	// Before are the parts of earlier divisions.
	Before []Part
	// Last is the inbox's newest sequence when this was read.
	Last uint64
}

// ReadDivision finds out how the inbox is divided.
func ReadDivision(ctx context.Context, js jetstream.JetStream) (*Division, error) {
	s, err := js.Stream(ctx, protocol.StreamInbox)
	if err != nil {
		return nil, fmt.Errorf("stream %s: %w", protocol.StreamInbox, err)
	}
	return divisionOf(s.CachedInfo())
}

func divisionOf(i *jetstream.StreamInfo) (*Division, error) {
	n, err := divided(i.Config.SubjectTransform)
	if err != nil {
		return nil, err
	}
	d := &Division{Parts: parts(n), Last: i.State.LastSeq}
	for _, b := range pastDivisions(i.Config) {
		if b != n {
			d.Before = append(d.Before, parts(b)...)
		}
	}
	return d, nil
}

// Count is the number of parts.
func (d *Division) Count() int { return len(d.Parts) }

// Queue is what waits in one part of the inbox.
type Queue struct {
	Part    Part
	Waiting uint64
	// Floor is up to where everything of this part has its record.
	Floor  uint64
	Pinned string // who judges it, as the bus knows workers; empty: nobody does
	// Delivered counts the deliveries, those that were made again too.
	Delivered uint64
	Paused    bool // by an administrator
}

// Queue looks at one part. Its floor is at least the inbox's end when the division was read, if
// nothing waits.
func (d *Division) Queue(ctx context.Context, js jetstream.JetStream, p Part) (Queue, error) {
	cons, err := js.Consumer(ctx, protocol.StreamInbox, p.Consumer)
	if err != nil {
		return Queue{}, fmt.Errorf("consumer %s: %w", p.Consumer, err)
	}
	i := cons.CachedInfo()
	q := Queue{Part: p, Waiting: i.NumPending + uint64(i.NumAckPending), Floor: i.AckFloor.Stream, Delivered: i.Delivered.Consumer, Paused: i.Paused}
	if q.Waiting == 0 {
		q.Floor = max(q.Floor, d.Last)
	}
	for _, g := range i.PriorityGroups {
		if g.PinnedClientID != "" {
			q.Pinned = g.PinnedClientID
		}
	}
	return q, nil
}

// Queues looks at all parts, and at those of earlier divisions in which something waits.
func (d *Division) Queues(ctx context.Context, js jetstream.JetStream) ([]Queue, error) {
	var list []Queue
	for i, p := range append(slices.Clone(d.Parts), d.Before...) {
		q, err := d.Queue(ctx, js, p)
		if i >= len(d.Parts) && (errors.Is(err, jetstream.ErrConsumerNotFound) || err == nil && q.Waiting == 0) {
			continue
		}
		if err != nil {
			return nil, err
		}
		list = append(list, q)
	}
	return list, nil
}

// Left gives the parts of earlier divisions in which inputs still wait.
func (d *Division) Left(ctx context.Context, js jetstream.JetStream) ([]Part, error) {
	var list []Part
	for _, p := range d.Before {
		q, err := d.Queue(ctx, js, p)
		if errors.Is(err, jetstream.ErrConsumerNotFound) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if q.Waiting > 0 {
			list = append(list, p)
		}
	}
	return list, nil
}

// provisionParts makes the judging consumers that the inbox's division needs and, if n is not 0, first
// divides the inbox into n.
func provisionParts(ctx context.Context, js jetstream.JetStream, l Limits) error {
	s, err := js.Stream(ctx, protocol.StreamInbox)
	if err != nil {
		return fmt.Errorf("stream %s: %w", protocol.StreamInbox, err)
	}
	d, err := divisionOf(s.CachedInfo())
	if err != nil {
		return err
	}
	if n := l.Partitions; n > 0 && n != d.Count() {
		return divide(ctx, js, s.CachedInfo().Config, d, l)
	}
	if err := settleDivisions(ctx, js); err != nil {
		return err
	}
	_, renamed := s.CachedInfo().Config.Metadata[divisionsKey]
	for _, p := range d.Parts {
		if err := provisionPart(ctx, js, p, l, renamed); err != nil {
			return err
		}
	}
	return nil
}

// provisionPart makes the consumer of a part where it is missing. filtered says that it must not take
// what is of another division.
func provisionPart(ctx context.Context, js jetstream.JetStream, p Part, l Limits, filtered bool) error {
	want := consumer(l)
	want.Durable, want.PriorityGroups = p.Consumer, []string{p.Consumer}
	if filtered || p.Of > 1 {
		want.FilterSubject = p.Subject
	}
	cons, err := js.Consumer(ctx, protocol.StreamInbox, p.Consumer)
	if errors.Is(err, jetstream.ErrConsumerNotFound) {
		_, err = js.CreateConsumer(ctx, protocol.StreamInbox, want)
	} else if err == nil {
		c := cons.CachedInfo().Config
		long := c.AckWait > AckWait // of an earlier release
		wide := want.FilterSubject != "" && c.FilterSubject == "" && len(c.FilterSubjects) == 0
		if long {
			c.AckWait = AckWait
		}
		if wide {
			c.FilterSubject = want.FilterSubject
		}
		if long || wide {
			_, err = js.UpdateConsumer(ctx, protocol.StreamInbox, c)
		}
	}
	if err = AsDamaged(protocol.StreamInbox, p.Consumer, err); err != nil {
		return fmt.Errorf("consumer %s: %w", p.Consumer, err)
	}
	return nil
}

// ErrStillWaiting says that an inbox cannot be divided anew before what waits has been judged.
var ErrStillWaiting = errors.New("still wait")

// divide divides the inbox anew. Its consumers are made first, and nothing is divided that would come
// between inputs of earlier divisions: with two of them waiting, their order could not be kept.
func divide(ctx context.Context, js jetstream.JetStream, c jetstream.StreamConfig, d *Division, l Limits) error {
	if l.Partitions > MaxPartitions {
		return fmt.Errorf("%d partitions: at most %d", l.Partitions, MaxPartitions)
	}
	// Each server of a cluster puts what it is given under a subject by its own copy of the configuration,
	// which they do not change at the same moment (nats-server 2.12): a reading that came just then would
	// stand under one subject on one server and under another on the next, and no part would judge it.
	if c.Replicas > 1 && d.Last > 0 {
		return fmt.Errorf("the inbox is divided into %d, kept on %d servers, and holds inputs already: it stays divided so, for servers of a cluster do not divide at the same moment, and what comes just then would never be judged; export it, and import it where `swathkeeper init --partitions %d` has set up an empty one", d.Count(), c.Replicas, l.Partitions)
	}
	left, err := d.Left(ctx, js)
	if err != nil {
		return err
	}
	if len(left) > 0 {
		return fmt.Errorf("the inbox is divided into %d, and inputs from before that %w in %s: it stays divided so; let a worker judge them first (`swathkeeper run`; `swathkeeper doctor` says what waits), then divide it again", d.Count(), ErrStillWaiting, left[0].Consumer)
	}
	// A consumer without a filter would take the inputs of the new division as well.
	for _, p := range append(slices.Clone(d.Parts), parts(l.Partitions)...) {
		if err := provisionPart(ctx, js, p, l, true); err != nil {
			return err
		}
	}
	past := slices.DeleteFunc(pastDivisions(c), func(n int) bool { return n == l.Partitions })
	if !slices.Contains(past, d.Count()) {
		past = append(past, d.Count())
	}
	setDivisions(&c, append(past, l.Partitions))
	c.SubjectTransform = transform(l.Partitions)
	if _, err := js.UpdateStream(ctx, c); err != nil {
		return fmt.Errorf("stream %s: dividing it: %w", protocol.StreamInbox, err)
	}
	if err := settleDivisions(ctx, js); err != nil {
		return err
	}
	now, err := ReadDivision(ctx, js)
	if err == nil && now.Count() != l.Partitions {
		err = fmt.Errorf("the inbox was divided into %d by somebody else at the same moment: see that this is what is wanted, or divide it again", now.Count())
	}
	return err
}

// settleDivisions notes with the inbox the divisions whose judges are there and that it does not name. Two
// who divide it at once each write down what they have read before, and the later one leaves out the
// other's division, under which inputs may have come. The consumers are made before, and tell.
func settleDivisions(ctx context.Context, js jetstream.JetStream) error {
	s, err := js.Stream(ctx, protocol.StreamInbox)
	if err != nil {
		return fmt.Errorf("stream %s: %w", protocol.StreamInbox, err)
	}
	c := s.CachedInfo().Config
	if _, renamed := c.Metadata[divisionsKey]; !renamed {
		return nil // it has never been divided
	}
	list := pastDivisions(c)
	var more []int
	names := s.ConsumerNames(ctx)
	for name := range names.Name() {
		if n := divisionOfConsumer(name); n > 0 && !slices.Contains(list, n) && !slices.Contains(more, n) {
			more = append(more, n)
		}
	}
	if err := names.Err(); err != nil {
		return fmt.Errorf("consumers of %s: %w", protocol.StreamInbox, err)
	}
	if len(more) == 0 {
		return nil
	}
	slices.Sort(more)
	setDivisions(&c, append(more, list...))
	if _, err := js.UpdateStream(ctx, c); err != nil {
		return fmt.Errorf("stream %s: noting its divisions: %w", protocol.StreamInbox, err)
	}
	return nil
}

// divisionOfConsumer gives into how many parts an inbox is divided that a consumer judges one of; 0: it is
// no such consumer.
func divisionOfConsumer(name string) int {
	if name == Durable {
		return 1
	}
	for n := 2; n <= MaxPartitions; n++ {
		if strings.HasPrefix(name, fmt.Sprintf("%s-%d-", Durable, n)) && slices.ContainsFunc(parts(n), func(p Part) bool { return p.Consumer == name }) {
			return n
		}
	}
	return 0
}

// checkParts refuses judging consumers that would lose or reorder readings.
func checkParts(ctx context.Context, js jetstream.JetStream) error {
	d, err := ReadDivision(ctx, js)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return fmt.Errorf("consumer %s %w", Durable, ErrNotProvisioned)
	}
	if err != nil {
		return err
	}
	var errs []error
	for _, p := range d.Parts {
		errs = append(errs, checkConsumer(ctx, js, p, len(d.Before) > 0))
	}
	return errors.Join(errs...)
}
