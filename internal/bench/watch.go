package bench

import (
	"sync"
	"time"

	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/scale"
)

// Live is what a scale shows just now and what that means for the cup. It is shown and never recorded.
type Live struct {
	Serial  uint64
	Gross   gram.Mass
	Steady  bool
	Trouble string // a sentence, empty while the scale is well
	Middle  bool   // the bench shakes, and the middle of its readings may be booked
	Ask     *Ask   // what no pour explains, nil where nothing needs an answer
	Lost    bool   // nothing arrives
	Zone    pour.Zone
	Left    gram.Mass     // still to pour, below zero when over
	Net     gram.Mass     // come in since the last booked pour
	Grace   time.Duration // until the reading is accepted by itself; 0: it will not be
	Drip    bool          // it rose just after an acceptance: it may still be the toner before
	Confirm bool          // something came in while nobody was looking; a tap has to say what it is
}

// Watcher is one screen that follows one cup. It holds the newest snapshot and the newest reading only.
type Watcher struct {
	C <-chan struct{} // something is new

	wake  chan struct{}
	mu    sync.Mutex
	state *pour.State
	live  *Live
}

// Next returns what is new since it was last asked, nil for what is not.
func (w *Watcher) Next() (*pour.State, *Live) {
	w.mu.Lock()
	defer w.mu.Unlock()
	state, live := w.state, w.live
	w.state, w.live = nil, nil
	return state, live
}

func (w *Watcher) put(state *pour.State, live *Live) {
	w.mu.Lock()
	if state != nil {
		w.state = state
	}
	if live != nil {
		w.live = live
	}
	w.mu.Unlock()
	select {
	case w.wake <- struct{}{}:
	default: // it has yet to fetch the last news, and will find these with them
	}
}

// Watch makes a screen follow a batch from the given state on. The caller must call the returned function when the
// screen goes away.
func (b *Bench) Watch(state pour.State) (*Watcher, func()) {
	wake := make(chan struct{}, 1)
	w := &Watcher{C: wake, wake: wake}
	b.mu.Lock()
	defer b.mu.Unlock()
	c := b.keep(state)
	c.watchers[w] = struct{}{}
	newest := c.state
	w.put(&newest, b.liveFor(state.Batch))
	return w, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		delete(c.watchers, w)
		b.forget(state.Batch)
	}
}

// forget lets go of a batch that nobody watches and whose cup is not on the scale.
func (b *Bench) forget(batch string) {
	if c := b.cups[batch]; c != nil && len(c.watchers) == 0 && b.active != batch {
		delete(b.cups, batch)
	}
}

// keep remembers the newest state of a batch and tells whoever watches it: it may have been read before its event is
// published, which is then no news any more.
func (b *Bench) keep(state pour.State) *cup {
	c := b.cups[state.Batch]
	if c == nil {
		c = &cup{watchers: make(map[*Watcher]struct{})}
		b.cups[state.Batch] = c
	}
	if state.Seq <= c.state.Seq {
		return c
	}
	if b.active == state.Batch {
		b.follow(c.state, state)
	}
	c.state = state
	if state.Ended() && b.active == state.Batch {
		b.active = ""
	}
	for w := range c.watchers {
		w.put(&state, b.liveFor(state.Batch))
	}
	return c
}

// Publish tells every screen of a batch how it stands. A state older than the one that is known is dropped.
func (b *Bench) Publish(state pour.State) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.cups[state.Batch] == nil && b.active != state.Batch {
		return
	}
	b.keep(state)
	b.forget(state.Batch)
}

// tellLive sends the newest reading to the screens of the active batch.
func (b *Bench) tellLive() {
	c := b.cups[b.active]
	if c == nil {
		return
	}
	live := b.liveFor(b.active)
	for w := range c.watchers {
		w.put(nil, live)
	}
}

// liveFor returns what the scale means for a batch, nil where its cup is not on this scale.
func (b *Bench) liveFor(batch string) *Live {
	c := b.cups[batch]
	if c == nil || b.active != batch || c.state.Plan.Typed {
		return nil
	}
	s := c.state
	l := &Live{Serial: b.last.Serial, Gross: b.last.Mass, Lost: b.lost}
	switch {
	case b.lost:
		l.Trouble = "No reading from the scale. Check its cable and its power. What was poured is kept."
		return l
	case b.last.Status == scale.WrongUnit:
		l.Trouble = "The scale does not show grams. Switch it to g; nothing is booked until then."
	case b.last.Status == scale.Overload:
		l.Trouble = "Too much is on the scale. Take something off."
	case b.last.Status != scale.OK:
		l.Trouble = "The scale is " + b.last.Status.String() + ". Nothing is booked until it is well."
	}
	l.Steady = b.last.Stable && b.last.Status == scale.OK
	l.Zone, l.Left = s.At(l.Gross)
	l.Net = l.Gross - s.Last
	step, ok := s.Open()
	if !ok {
		return l
	}
	now := b.last.At
	l.Ask = b.question(s)
	if l.Trouble == "" {
		l.Trouble = b.hint(s)
	}
	l.Drip = b.drip && l.Ask == nil
	l.Confirm = b.patience && s.Held != nil && l.Ask == nil
	if b.guard.shaken != nil && l.Ask == nil {
		l.Middle = s.Enough(b.guard.shaken.middle)
	}
	if l.Steady && l.Ask == nil && !b.guard.unwatched && b.mayAccept(s, step) {
		l.Grace = max(acceptAfter-now.Sub(b.still.since), time.Millisecond)
	}
	return l
}

// Look returns what the scale means for a batch just now, nil where its cup is not on this scale.
func (b *Bench) Look(batch string) *Live {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.liveFor(batch)
}
