package people

import (
	"fmt"
	"time"
)

// Limit says how often something secret may be tried: Free times at once, then once after First, each wait twice the one
// before up to Most. Right once, and the count starts again.
type Limit struct {
	Free        int
	First, Most time.Duration
}

// The limits of a shop (common practice, no source). Per person: a day of guessing tries about a hundred PINs. Per
// device or address: several people share a tablet, so it forgives more at first. Join codes are long; the limit
// keeps the log readable.
var (
	TriesPerPerson = Limit{Free: 5, First: 30 * time.Second, Most: 15 * time.Minute}
	TriesPerDevice = Limit{Free: 10, First: 30 * time.Second, Most: 15 * time.Minute}
)

// Tries is what is known of the tries of one person, device or address so far.
type Tries struct {
	Failed int
	Until  time.Time // no try before; zero where none has to wait
}

// Wait returns how long the next try has to wait, 0 where it need not. A clock that was set back keeps nobody out for
// longer than Most.
func (l Limit) Wait(t Tries, now time.Time) time.Duration {
	return min(max(t.Until.Sub(now), 0), l.Most)
}

// Charge counts a try before it is known whether it is right, so that many at once are all counted.
func (l Limit) Charge(t Tries, now time.Time) Tries {
	t.Failed++
	t.Until = time.Time{}
	if over := t.Failed - l.Free; over >= 0 {
		wait := l.First
		for range min(over, 40) {
			if wait = 2 * wait; wait >= l.Most {
				break
			}
		}
		t.Until = now.Add(min(wait, l.Most))
	}
	return t
}

// Rate says how much may come from one device in a row: Burst at once, and PerSecond from then on.
type Rate struct {
	Burst     float64
	PerSecond float64
}

// Bucket is what is left of a Rate. The zero value is a full one.
type Bucket struct {
	Spent float64
	At    time.Time
}

// Take takes one out of the bucket; ok is false where none is left, and then nothing is taken.
func (r Rate) Take(b Bucket, now time.Time) (left Bucket, ok bool) {
	spent := b.Spent
	if passed := now.Sub(b.At).Seconds(); passed > 0 {
		spent = max(0, spent-passed*r.PerSecond)
	}
	if spent+1 > r.Burst {
		return Bucket{spent, now}, false
	}
	return Bucket{spent + 1, now}, true
}

// Full reports whether nothing is missing from a bucket, so that it need not be remembered.
func (r Rate) Full(b Bucket, now time.Time) bool {
	return b.Spent-max(0, now.Sub(b.At).Seconds())*r.PerSecond <= 0
}

// Spell says how long a wait is, in words for a screen, rounded up.
func Spell(wait time.Duration) string {
	seconds := int((wait + time.Second - 1) / time.Second)
	switch {
	case seconds <= 1:
		return "1 second"
	case seconds < 90:
		return fmt.Sprintf("%d seconds", seconds)
	}
	return fmt.Sprintf("%d minutes", (seconds+59)/60)
}
