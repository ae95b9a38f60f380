package chat

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/textproto"
	"net/url"
	"regexp"
	"strings"
	"sync"
)

// newService makes the service behind a target.
func (c *Chat) newService(t Target) (service, error) {
	a, err := t.address()
	if err != nil {
		return nil, err
	}
	g := newGuard(t.AllowLocal, a.loopback(), c.o.Timeout, c.o.Clock.Now)
	g.hide = t.redactor().text
	switch a.kind {
	case kindConsole:
		return &console{w: c.o.Console}, nil
	case kindWebhook:
		return &webhook{g, a.url.String()}, nil
	case kindSlack:
		return &slack{g, a.url.String()}, nil
	case kindDiscord:
		return &discord{g, a.url.String()}, nil
	case kindTeams:
		return &teams{g, a.url.String()}, nil
	case kindTelegram:
		return newTelegram(g, a.url), nil
	case kindEmail:
		m, err := parseMail(a.url)
		if err != nil {
			return nil, err
		}
		return &mailer{g: g, mail: m, now: c.o.Clock.Now}, nil
	}
	return newOther(t.URL, g)
}

func postJSON(ctx context.Context, g *guard, to string, v any, header map[string]string) ([]byte, error) {
	body, err := json.Marshal(v)
	if err != nil {
		return nil, &sendError{what: GiveUp, text: "the message cannot be written as JSON: " + err.Error()}
	}
	return g.post(ctx, to, "application/json", bytes.NewReader(body), header)
}

// upload sends a form with the message's JSON or fields, and a picture.
func upload(ctx context.Context, g *guard, to string, fields map[string]string, name string, picture []byte) ([]byte, error) {
	var buf bytes.Buffer
	w := multipart.NewWriter(&buf)
	for k, v := range fields {
		_ = w.WriteField(k, v) // a buffer takes everything
	}
	h := textproto.MIMEHeader{}
	h.Set("Content-Disposition", fmt.Sprintf(`form-data; name=%q; filename="chart.png"`, name))
	h.Set("Content-Type", "image/png")
	part, err := w.CreatePart(h)
	if err == nil {
		_, err = part.Write(picture)
	}
	if err = errors.Join(err, w.Close()); err != nil {
		return nil, &sendError{what: GiveUp, text: "the message cannot be written as a form: " + err.Error()}
	}
	return g.post(ctx, to, w.FormDataContentType(), &buf, nil)
}

// console prints messages.
type console struct {
	mu sync.Mutex
	w  io.Writer
}

func (s *console) send(_ context.Context, m Message) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, err := io.WriteString(s.w, m.Text+"\n\n"); err != nil {
		return &sendError{what: Again, most: 3, text: "the console cannot be written to"}
	}
	return nil
}

func (s *console) close() {}

// webhook sends Message as JSON.
type webhook struct {
	*guard
	to string
}

func (s *webhook) send(ctx context.Context, m Message) error {
	_, err := postJSON(ctx, s.guard, s.to, m, map[string]string{"Idempotency-Key": m.ID})
	return err
}

// slack sends to an incoming webhook. Text is escaped and its markup turned off, so that no name
// in it can call the channel.
type slack struct {
	*guard
	to string
}

func (s *slack) send(ctx context.Context, m Message) error {
	_, err := postJSON(ctx, s.guard, s.to, map[string]any{
		"text": clip(entities.Replace(unping(m.Text)), 4000), "mrkdwn": false, "parse": "none", "link_names": false, "unfurl_links": false, "unfurl_media": false,
	}, nil)
	return err
}

// discord sends to a webhook. Mentions are switched off by the service itself, markup is escaped.
type discord struct {
	*guard
	to string
}

const discordLimit = 2000

func (s *discord) send(ctx context.Context, m Message) error {
	v := map[string]any{
		"content": clip(backslash(m.Text), discordLimit), "allowed_mentions": map[string]any{"parse": []string{}},
		"flags": 1 << 2, // no previews of links
	}
	if len(m.picture) == 0 {
		_, err := postJSON(ctx, s.guard, s.to, v, nil)
		return err
	}
	raw, err := json.Marshal(v)
	if err != nil {
		return &sendError{what: GiveUp, text: "the message cannot be written as JSON: " + err.Error()}
	}
	_, err = upload(ctx, s.guard, s.to, map[string]string{"payload_json": string(raw)}, "files[0]", m.picture)
	return err
}

// teams sends an adaptive card to a workflow's webhook. Text runs of a rich text block carry no
// markup, and without a list of mentions none is made.
type teams struct {
	*guard
	to string
}

func (s *teams) send(ctx context.Context, m Message) error {
	type run struct {
		Type   string `json:"type"`
		Text   string `json:"text"`
		Weight string `json:"weight,omitempty"`
	}
	type block struct {
		Type    string `json:"type"`
		Inlines []run  `json:"inlines"`
	}
	var body []block
	for i, line := range strings.Split(unping(m.Text), "\n") {
		r := run{Type: "TextRun", Text: line}
		if i == 0 {
			r.Weight = "bolder"
		}
		body = append(body, block{Type: "RichTextBlock", Inlines: []run{r}})
	}
	_, err := postJSON(ctx, s.guard, s.to, map[string]any{
		"type": "message",
		"attachments": []any{map[string]any{
			"contentType": "application/vnd.microsoft.card.adaptive",
			"content": map[string]any{
				"$schema": "http://adaptivecards.io/schemas/adaptive-card.json", "type": "AdaptiveCard", "version": "1.2",
				"fallbackText": m.Title, "body": body,
			},
		}},
	}, nil)
	return err
}

// telegram speaks the bot interface. No parse mode: the text is plain.
type telegram struct {
	*guard
	base, chat string
}

const telegramCaption = 1024

var telegramToken = regexp.MustCompile(`^[0-9]+:[A-Za-z0-9_-]{10,}$`)

func checkTelegram(u *url.URL) error {
	token, chat := telegramParts(u)
	if !telegramToken.MatchString(token) || chat == "" {
		return errors.New("a telegram url is telegram://BOT-TOKEN@CHAT-ID")
	}
	if api := u.Query().Get("api"); api != "" {
		if a, err := url.Parse(api); err != nil || (a.Scheme != "https" && a.Scheme != "http") || a.Hostname() == "" {
			return errors.New("api in a telegram url must be the https address of a bot server")
		}
	}
	return nil
}

func telegramParts(u *url.URL) (token, chat string) {
	if u.User != nil {
		token = u.User.Username()
		if p, ok := u.User.Password(); ok {
			token += ":" + p
		}
	}
	return token, u.Host
}

func newTelegram(g *guard, u *url.URL) *telegram {
	token, chat := telegramParts(u)
	base := u.Query().Get("api")
	if base == "" {
		base = "https://api.telegram.org"
	}
	if n := strings.TrimPrefix(chat, "-"); strings.Trim(n, "0123456789") != "" {
		chat = "@" + chat // a public channel's name
	}
	return &telegram{g, strings.TrimRight(base, "/") + "/bot" + token, chat}
}

func (s *telegram) send(ctx context.Context, m Message) error {
	text := unping(m.Text)
	if len(m.picture) > 0 && len([]rune(text)) <= telegramCaption {
		_, err := upload(ctx, s.guard, s.base+"/sendPhoto", map[string]string{"chat_id": s.chat, "caption": text}, "photo", m.picture)
		return err
	}
	_, err := postJSON(ctx, s.guard, s.base+"/sendMessage", map[string]any{
		"chat_id": s.chat, "text": clip(text, 4096), "link_preview_options": map[string]bool{"is_disabled": true},
	}, nil)
	return err
}
