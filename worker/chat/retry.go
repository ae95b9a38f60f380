package chat

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// Verdicts on an attempt.
const (
	Sent    = "sent"    // delivered
	Again   = "again"   // try again later
	Shorter = "shorter" // try once more with less
	GiveUp  = "give up" // this message, or this address, will never do
)

// Retry says what an HTTP answer means for the message.
//
//	200-299             sent
//	408, 425, 429       try again, after Retry-After if given
//	413                 once more, shorter and without a picture; then give up
//	500-599             try again, after Retry-After if given
//	everything else     give up: the message (400, 422 ...) or the address (401, 403, 404, 410,
//	                    redirects to another host) is wrong, and trying again does not mend it
//
// No answer at all (no connection, reset, timeout) is tried again.
func Retry(status int) string {
	switch {
	case status >= 200 && status <= 299:
		return Sent
	case status == http.StatusRequestTimeout, status == http.StatusTooEarly, status == http.StatusTooManyRequests:
		return Again
	case status == http.StatusRequestEntityTooLarge:
		return Shorter
	case status >= 500 && status <= 599:
		return Again
	}
	return GiveUp
}

// waits between attempts; the last one repeats until Options.GiveUpAfter.
var waits = []time.Duration{5 * time.Second, 15 * time.Second, 45 * time.Second, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute}

// longestRetryAfter bounds what a service may ask for.
const longestRetryAfter = time.Hour

// pause is how long to wait after the given number of failed attempts, at least what the service
// asked for.
func pause(failed int, asked time.Duration) time.Duration {
	w := waits[min(max(failed, 1), len(waits))-1]
	return max(w, min(asked, longestRetryAfter))
}

// sendError is why an attempt failed. Its text holds no secret.
type sendError struct {
	what  string        // Again, Shorter or GiveUp
	after time.Duration // what the service asked to wait
	text  string
	most  int // attempts after which to give up, where that is not a matter of time; 0: none
}

func (e *sendError) Error() string { return e.text }

// retryAfter reads how long a service asks to wait: the Retry-After header in seconds or as a date
// (RFC 9110, 10.2.3), or the retry_after of the body, which two of the services use.
func retryAfter(h http.Header, body []byte, now time.Time) time.Duration {
	v := strings.TrimSpace(h.Get("Retry-After"))
	if s, err := strconv.ParseFloat(v, 64); err == nil {
		return seconds(s)
	}
	if at, err := http.ParseTime(v); err == nil {
		return max(0, at.Sub(now))
	}
	var b struct {
		RetryAfter float64 `json:"retry_after"`
		Parameters struct {
			RetryAfter float64 `json:"retry_after"`
		} `json:"parameters"`
	}
	if json.Unmarshal(body, &b) == nil {
		return seconds(max(b.RetryAfter, b.Parameters.RetryAfter))
	}
	return 0
}

func seconds(s float64) time.Duration {
	if !(s > 0) {
		return 0
	}
	return time.Duration(math.Min(s, longestRetryAfter.Seconds()) * float64(time.Second))
}

// answered turns an HTTP answer into nil or a sendError. What the service says is kept to one
// short line, for people.
func (g *guard) answered(resp *http.Response, body []byte, now time.Time) error {
	what := Retry(resp.StatusCode)
	if what == Sent {
		return nil
	}
	text := fmt.Sprintf("the service answered %d %s", resp.StatusCode, http.StatusText(resp.StatusCode))
	switch resp.StatusCode {
	case http.StatusUnauthorized, http.StatusForbidden, http.StatusNotFound, http.StatusGone:
		text += "; the address or its token is no longer valid"
	}
	if said := g.quote(string(bytes.ToValidUTF8(body, nil))); said != "" {
		text += ": " + said
	}
	return &sendError{what: what, after: retryAfter(resp.Header, body, now), text: text}
}
