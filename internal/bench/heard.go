package bench

import (
	"time"

	"pourbook/internal/gram"
	"pourbook/internal/scale"
)

// Heard is one thing that the scale sent, and what was made of it.
type Heard struct {
	Raw   string
	Says  string    // in words
	Mass  gram.Mass // counts only while Good
	Good  bool      // a weight in grams
	Still bool
	At    time.Time
}

// heardMost is how many are kept for the set-up page.
const heardMost = 8

// hear remembers what was sent, the same thing once.
func (b *Bench) hear(r scale.Reading, now time.Time) {
	h := Heard{Raw: r.Raw, Says: said(r, b.balance), Mass: r.Mass, Good: r.Status == scale.OK, Still: r.Stable, At: now}
	if n := len(b.heard); n > 0 && b.heard[n-1].Raw == h.Raw && b.heard[n-1].Says == h.Says {
		b.heard[n-1] = h
		return
	}
	if len(b.heard) == heardMost {
		b.heard = append(b.heard[:0], b.heard[1:]...)
	}
	b.heard = append(b.heard, h)
}

// said puts a reading into words.
func said(r scale.Reading, balance gram.Balance) string {
	switch {
	case r.Status == scale.OK && r.Stable:
		return r.Mass.Show(balance.At(r.Mass)) + " g, at rest"
	case r.Status == scale.OK:
		return r.Mass.Show(balance.At(r.Mass)) + " g, moving"
	case r.Status == scale.WrongUnit && r.Mass != 0:
		return "not in grams (it would be " + r.Mass.Show(balance.At(r.Mass)) + " g): switch the scale to g"
	case r.Status == scale.WrongUnit:
		return "no unit of weight that can be told: switch the scale to g"
	case r.Status == scale.Fault && r.Raw != "":
		return "not understood: check form, speed and parity"
	}
	return r.Status.String()
}

// Hearing returns what the scale sent last, newest first, and where it is lost, why, as far as is known.
func (b *Bench) Hearing() (heard []Heard, lost bool, why string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i := len(b.heard) - 1; i >= 0; i-- {
		heard = append(heard, b.heard[i])
	}
	return heard, b.lost, b.why
}
