package health

import (
	"time"

	"swathkeeper/worker/chat"
)

// Check is one thing that was looked at.
type Check struct {
	Name string `json:"name"` // bus, judge, waiting, store, disk or clock
	OK   bool   `json:"ok"`
	Text string `json:"text"` // what was seen, and what to do when it is not as it should be
	// Minor says that the worker does its work all the same: the check is shown, and readiness does
	// not depend on it.
	Minor bool `json:"minor,omitzero"`
}

// Where the inbox is being judged.
const (
	JudgedHere      = "here"
	JudgedElsewhere = "elsewhere" // another worker has the place; this one stands by
	JudgedFree      = "free"      // nobody had anything to judge lately; the next reading decides
)

// Store is how full one stream or store is.
type Store struct {
	Name     string `json:"name"`
	Messages uint64 `json:"messages"`
	Bytes    uint64 `json:"bytes"`
	Limit    int64  `json:"limit"` // bytes; beyond it nothing more is taken
}

// Report is how a worker is doing. It holds no secret.
type Report struct {
	Name    string    `json:"name"` // of this worker among those on one bus
	Version string    `json:"version"`
	Host    string    `json:"host"`
	PID     int       `json:"pid"`
	Started time.Time `json:"started"`
	At      time.Time `json:"at"`

	// Live is false when only a restart can help.
	Live bool `json:"live"`
	// Ready says that bus, store and judging work, here or at another worker.
	Ready  bool    `json:"ready"`
	Checks []Check `json:"checks"`

	Judging string `json:"judging"` // here, elsewhere or free
	// PartsHere and PartsElsewhere count the parts of the inbox that this worker and others judge.
	PartsHere      int `json:"parts_here"`
	PartsElsewhere int `json:"parts_elsewhere"`
	// Waiting counts the inputs without a record, and OldestWaiting is when the first of them came.
	Waiting       uint64    `json:"waiting"`
	OldestWaiting time.Time `json:"oldest_waiting,omitzero"`
	LastRecord    time.Time `json:"last_record,omitzero"` // that this worker stored

	Stores   []Store       `json:"stores,omitempty"`
	DiskFree uint64        `json:"disk_free,omitzero"` // bytes free beside the embedded store; 0: unknown
	Chat     []chat.Status `json:"chat,omitempty"`
}

// WaitingSeconds is how long the oldest input has waited; 0 when none does.
func (r *Report) WaitingSeconds() float64 {
	if r.OldestWaiting.IsZero() {
		return 0
	}
	return max(0, r.At.Sub(r.OldestWaiting).Seconds())
}

// Add notes a check; what is neither OK nor minor makes the worker unready.
func (r *Report) Add(c Check) {
	r.Checks = append(r.Checks, c)
	if !c.OK && !c.Minor {
		r.Ready = false
	}
}
