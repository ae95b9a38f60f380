package chat

import (
	"context"
	"errors"
	"io"
	"log"
	"strings"

	"github.com/nicholas-fedor/shoutrrr"
	"github.com/nicholas-fedor/shoutrrr/pkg/router"
	"github.com/nicholas-fedor/shoutrrr/pkg/types"
)

// other sends through the notification library; see the package's description for what that does
// not promise.
type other struct {
	*guard // for what it says alone: the library makes its own connections
	sender *router.ServiceRouter
}

// otherAttempts is how often such a service is tried: its errors do not say whether that helps.
const otherAttempts = 5

func checkOther(u string) error {
	_, err := newOther(u, nil)
	return err
}

func newOther(u string, g *guard) (*other, error) {
	// The library's own errors hold parts of the url.
	sender, err := shoutrrr.NewSender(log.New(io.Discard, "", 0), u)
	if err != nil {
		return nil, errors.New("no service is known by this url; see the list of services in the manual")
	}
	return &other{g, sender}, nil
}

func (s *other) send(ctx context.Context, m Message) error {
	text := flatText(m.Text)
	done := make(chan error, 1)
	go func() {
		params := types.Params{}
		done <- errors.Join(s.sender.Send(text, &params)...)
	}()
	select {
	case err := <-done:
		if err != nil {
			return &sendError{what: Again, most: otherAttempts, text: "the service's library: " + s.quote(err.Error())}
		}
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (s *other) close() {}

func flatText(s string) string {
	lines := strings.Split(s, "\n")
	for i, l := range lines {
		lines[i] = flat.Replace(l)
	}
	return strings.Join(lines, "\n")
}
