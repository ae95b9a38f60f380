package bus

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"swathkeeper/protocol"
)

// A NATS server checks where somebody publishes, and not where the answer is to go: it sends the
// answer there with its own rights. Whoever shares an account with the streams can so have anything
// sent anywhere by asking for it. Stations and viewers therefore live in an account each, apart from
// the shop's, which has the streams. An account of theirs holds nothing but doors to what its holder
// may ask (service imports): an answer comes back through the door, and whatever subject was chosen for
// it, it is one of that account.

// ShopAccount is the account of the streams, workers and administrators on a server outside. The
// server inside the worker uses its global account, which a server's configuration cannot name.
const ShopAccount = "SWATHKEEPER"

// door is a service of the shop's account that accounts apart may import, with what each needs of it.
type door struct {
	subject string
	many    bool // a question may have more than one answer
}

// shadow is a service that every account apart imports on a server outside, though its holder may not
// ask it: a server with JetStream gives an account without streams its own way to the store's
// interface, which would answer every question there a second time, with "not enabled"; not so an
// account that imports this one of the interface.
const shadow = "$JS.API.INFO"

// answersWithin is for how long the server waits for the next of many answers.
const answersWithin = 30 * time.Second

// doors are all services of the shop's account, as wide as any holder needs them.
func doors() []door {
	return []door{
		{subject: protocol.ReadingSubject("*", "*")},
		{subject: protocol.NoteSubject("*", "*")},
		{subject: protocol.ScanSubject("*", "*", "*")},
		{subject: "$JS.API.STREAM.INFO.*"},
		{subject: "$JS.API.CONSUMER.INFO.*.*"},
		{subject: "$JS.API.DIRECT.GET.*.>"},           // the last of a subject
		{subject: "$JS.API.DIRECT.GET.*", many: true}, // as many as are asked for
		{subject: protocol.SubjectStatus, many: true},
		{subject: "$SRV.*", many: true},
		{subject: "$SRV.*.swathkeeper", many: true},
		{subject: "$SRV.*.swathkeeper.*", many: true},
	}
}

// Apart reports whether the holder is not trusted with an account that others are in.
func (g *Grant) Apart() bool { return g.Role == RoleStation || g.Role == RoleViewer }

// hears is what somebody apart is sent without having asked: what it may listen to beside its answers.
func (g *Grant) hears() []string {
	if g.Role == RoleViewer {
		return []string{protocol.SubjectRecords}
	}
	return nil
}

// openDoors lets the shop's account of a server be asked.
func openDoors(shop *server.Account) error {
	for _, d := range doors() {
		kind := server.Singleton
		if d.many {
			kind = server.Streamed
		}
		if err := shop.AddServiceExportWithResponse(d.subject, kind, nil); err != nil {
			return fmt.Errorf("service %s: %w", d.subject, err)
		}
		if d.many {
			if err := shop.SetServiceExportResponseThreshold(d.subject, answersWithin); err != nil {
				return fmt.Errorf("service %s: %w", d.subject, err)
			}
		}
	}
	if err := shop.AddStreamExport(protocol.SubjectRecords, nil); err != nil {
		return fmt.Errorf("stream %s: %w", protocol.SubjectRecords, err)
	}
	return nil
}

// accountName names the account of a holder on the server inside the worker. Other rights make another
// account: one that somebody uses is never changed, and what was taken away is gone with the account.
func accountName(g *Grant) string {
	sum := sha256.Sum256([]byte(strings.Join(append(g.Permissions().Publish.Allow, g.hears()...), "\n")))
	return "holder-" + g.Key + "-" + hex.EncodeToString(sum[:8])
}

// furnish gives a new account its doors to the shop's, and only those.
func furnish(own, shop *server.Account, g *Grant) error {
	for _, subject := range g.Permissions().Publish.Allow {
		if err := own.AddServiceImport(shop, subject, subject); err != nil {
			return fmt.Errorf("service %s: %w", subject, err)
		}
	}
	for _, subject := range g.hears() {
		if err := own.AddStreamImport(shop, subject, ""); err != nil {
			return fmt.Errorf("stream %s: %w", subject, err)
		}
	}
	return nil
}

// ServerAccounts gives the accounts of a NATS server's configuration, for a bus outside the worker's
// process: the shop's, with its workers and administrators, and one for each other holder.
func ServerAccounts(grants []Grant) string {
	var shop, apart strings.Builder
	for i := range grants {
		if g := &grants[i]; g.Apart() {
			apart.WriteString(g.ServerConfig())
		} else {
			shop.WriteString(g.ServerConfig())
		}
	}
	var b strings.Builder
	fmt.Fprintf(&b, "accounts: {\n# The streams', with those who are trusted.\n%s: {\n  jetstream: enabled\n  users: [\n%s  ]\n  exports: [\n", ShopAccount, shop.String())
	for _, d := range doors() {
		kind := ""
		if d.many {
			kind = fmt.Sprintf(", response_type: stream, response_threshold: %q", answersWithin)
		}
		fmt.Fprintf(&b, "    { service: %q%s }\n", d.subject, kind)
	}
	fmt.Fprintf(&b, "    { service: %q }\n    { stream: %q }\n  ]\n}\n# One for each of the others.\n%s}\n", shadow, protocol.SubjectRecords, apart.String())
	return b.String()
}

// imports are the doors of a holder apart, in a server's configuration.
func (g *Grant) imports() string {
	var b strings.Builder
	for _, subject := range append([]string{shadow}, g.Permissions().Publish.Allow...) {
		fmt.Fprintf(&b, "    { service: { account: %s, subject: %q } }\n", ShopAccount, subject)
	}
	for _, subject := range g.hears() {
		fmt.Fprintf(&b, "    { stream: { account: %s, subject: %q } }\n", ShopAccount, subject)
	}
	return b.String()
}
