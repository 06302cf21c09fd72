package bench

import (
	"errors"
	"time"

	"pourbook/internal/gram"
	"pourbook/internal/scale"
)

// Use goes over to another scale, under a name for the screens, and closes the one before. A cup that stands in
// mid-pour keeps everything; what the new scale reads of it is compared with what the old one read.
func (b *Bench) Use(name string, s scale.Scale) error {
	b.mu.Lock()
	old := b.scale
	b.Name, b.scale, b.balance = name, s, s.Balance()
	b.serials = max(b.serials, b.last.Serial) + keepReading // its numbers begin anew
	b.heard, b.why, b.emptied = nil, "", nil
	b.last, b.still, b.lost = scale.Reading{}, still{}, true
	b.guard.blind()
	b.tellLive()
	b.mu.Unlock()
	return old.Close()
}

// Called returns the name of the scale for the screens.
func (b *Bench) Called() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.Name
}

// Typed reports whether no scale is connected, so that every reading is typed.
func (b *Bench) Typed() bool {
	_, typed := b.device().(*scale.Keypad)
	return typed
}

// sightOfCheck is what the scale read without the known weight.
type sightOfCheck struct {
	mass gram.Mass
	at   time.Time
}

// checkWithin is how long the empty reading of a check counts.
const checkWithin = 10 * time.Minute

// ErrNotAtRest says that a check needs a reading that stands.
var ErrNotAtRest = errors.New("the scale does not stand still in grams: wait a moment, then tap again")

// ErrEmptyFirst says that a check begins with the empty pan.
var ErrEmptyFirst = errors.New("take the weight off and read the empty pan first, then put the weight on")

// CheckEmpty begins a check of the scale: it keeps what the scale reads without the known weight.
func (b *Bench) CheckEmpty() (gram.Mass, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.rests() {
		return 0, ErrNotAtRest
	}
	b.emptied = &sightOfCheck{b.last.Mass, b.now()}
	return b.last.Mass, nil
}

// CheckLoaded ends a check: it returns what the scale read without the weight and reads with it, and its division there.
func (b *Bench) CheckLoaded() (empty, loaded, division gram.Mass, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case b.emptied == nil || b.now().Sub(b.emptied.at) > checkWithin:
		return 0, 0, 0, ErrEmptyFirst
	case !b.rests():
		return 0, 0, 0, ErrNotAtRest
	}
	empty, loaded = b.emptied.mass, b.last.Mass
	b.emptied = nil
	return empty, loaded, b.balance.At(loaded), nil
}

// Emptied reports whether a check waits for the weight, and what the scale read without it.
func (b *Bench) Emptied() (gram.Mass, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.emptied == nil || b.now().Sub(b.emptied.at) > checkWithin {
		return 0, false
	}
	return b.emptied.mass, true
}

func (b *Bench) rests() bool { return !b.lost && b.last.Status == scale.OK && b.last.Stable }

// Say puts a reading into the words of the set-up page.
func Say(r scale.Reading, balance gram.Balance) string { return said(r, balance) }
