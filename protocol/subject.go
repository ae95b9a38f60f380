package protocol

import (
	"fmt"
	"strings"
)

// Streams and stores.
const (
	StreamInbox     = "SWK_INBOX"
	StreamRecord    = "SWK_RECORD"
	StreamScans     = "SWK_SCANS"
	StreamRows      = "SWK_ROWS"      // made of the records, and made again where it is missing; no part of the contract
	BucketBaselines = "SWK_BASELINES" // object store
	BucketActive    = "SWK_ACTIVE"    // KV
	BucketCharts    = "SWK_CHARTS"    // KV
	BucketSent      = "SWK_SENT"      // KV
)

// Subjects of the streams.
const (
	SubjectReadings = "swk.reading.*.*"
	SubjectNotes    = "swk.note.*.*"
	SubjectRecords  = "swk.record.>"
	SubjectScans    = "swk.scan.*.*.*"
	SubjectRows     = "swk.row.*.*"
)

// SubjectStatus is where every worker of a bus answers, to an empty request, how it is doing. It is
// no stream's: the answer is of now.
const SubjectStatus = "swk.status"

// Kinds of record.
const (
	KindVerdict  = "verdict"
	KindAlert    = "alert"
	KindRefusal  = "refusal"
	KindJournal  = "journal"
	KindBaseline = "baseline"
)

// ReadingSubject is where a station publishes a printer's readings.
func ReadingSubject(site, printer string) string { return "swk.reading." + site + "." + printer }

// NoteSubject is where notes about a printer are published.
func NoteSubject(site, printer string) string { return "swk.note." + site + "." + printer }

// RecordSubject is where the worker stores a record.
func RecordSubject(site, printer, kind, series string) string {
	if series == "" {
		series = NoSeries
	}
	return "swk.record." + site + "." + printer + "." + kind + "." + series
}

// ScanSubject is where a part of the picture behind a reading is stored: once, and for good. owner is
// the public key of whoever stores it, or "local"; digest the picture's SHA-256; part counts from 0,
// and is ScanEnd for the message that says that all parts are there.
func ScanSubject(owner, digest, part string) string {
	return "swk.scan." + owner + "." + digest + "." + part
}

// ScanEnd is the part of a picture that is stored last: how many bytes and parts there are.
const ScanEnd = "end"

// PrinterRecords matches every record of one printer; records are committed under the last
// sequence of this subject.
func PrinterRecords(site, printer string) string { return "swk.record." + site + "." + printer + ".>" }

// RowSubject is where the rows of a printer's records stand.
func RowSubject(site, printer string) string { return "swk.row." + site + "." + printer }

// MsgID is the id under which the inbox knows a reading or a note, so that sending it twice stores
// it once. Ids are unique to a stream, hence the printer in front.
func MsgID(site, printer, id string) string { return site + "." + printer + "." + id }

// ChartKey is the key of a layout in BucketCharts; "-" stands where it has no edition.
func ChartKey(id, edition string) string {
	if edition == "" {
		edition = NoSeries
	}
	return id + "." + edition
}

// PlainInput gives the subject under which an inbox message was sent: without what a divided inbox puts
// in front, into how many parts it is divided and the number of the part.
func PlainInput(subject string) string {
	for range 2 {
		head, tail, ok := strings.Cut(subject, ".")
		if !ok || !isNumber(head) {
			break
		}
		subject = tail
	}
	return subject
}

// ParseInput splits the subject of an inbox message. What a divided inbox puts in front is skipped. The error is a *Refusal. Site and printer are given as they stand:
// a refusal is filed under them even when they are no tokens.
func ParseInput(subject string) (what, site, printer string, err error) {
	t := strings.Split(PlainInput(subject), ".")
	if len(t) != 4 || t[0] != "swk" || (t[1] != "reading" && t[1] != "note") {
		return "", "", "", refuse(CodeBadSubject, "", fmt.Sprintf("subject %q is not swk.reading.<site>.<printer> or swk.note.<site>.<printer>", clip(subject, MaxText)))
	}
	return t[1], t[2], t[3], nil
}

func isNumber(s string) bool {
	if s == "" {
		return false
	}
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return true
}
