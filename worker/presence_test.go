package worker

import (
	"testing"
	"time"
)

// Crashes within an hour are announced as one, also where the clock's hour turns between them; after an
// hour, and where the clock was set back, they are told again.
func TestCrashesOfAnHourAreOneAnnouncement(t *testing.T) {
	t.Parallel()
	first := time.Date(2026, 3, 2, 7, 59, 58, 0, time.UTC)
	p := &presence{}
	if got := p.announcement(first); !got.Equal(first) {
		t.Errorf("the first is announced under %s", got)
	}
	p.Announced = first
	for after, same := range map[time.Duration]bool{
		0: true, 3 * time.Second: true, 59 * time.Minute: true, time.Hour: false, 48 * time.Hour: false, -time.Second: false,
	} {
		want := first.Add(after)
		if same {
			want = first
		}
		if got := p.announcement(first.Add(after)); !got.Equal(want) {
			t.Errorf("%s after one is announced under %s, want %s", after, got, want)
		}
	}
}
