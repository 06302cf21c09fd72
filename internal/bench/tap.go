package bench

import (
	"context"
	"fmt"
	"time"

	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/scale"
)

// Tap is what a person at a screen asked for. Where its event needs a reading, a tap names one: Serial of a reading
// that the screen showed, or Typed where the mixer reads the display and types it. It never carries grams of its own
// while a scale is connected.
type Tap struct {
	pour.Command
	Serial uint64
	Typed  *gram.Mass
	Asked  int  // No of the question that a pour.Found answers
	Middle bool // the middle of a reading that never settles
}

// How old a named reading may be. Older ones come from a tablet that was away.
const freshReading = 20 * time.Second

// Do records what a tap asks for and tells every screen. It returns the cup as it then is; with a *pour.Refusal,
// the cup as it is instead.
func (b *Bench) Do(ctx context.Context, batch string, t Tap) (pour.State, error) {
	body, err := b.withReading(batch, t)
	if err != nil {
		return pour.State{}, err
	}
	t.Body = body
	state, err := b.recorder.Record(ctx, batch, t.Command)
	if err != nil {
		if state.Seq > 0 { // refused: whoever looks is to see why
			b.Publish(state)
		}
		return state, err
	}
	b.mu.Lock()
	if b.active == "" && !state.Plan.Typed {
		b.active = batch
		b.guard.restart(known(state))
	}
	if b.active == batch {
		// What was just taken back stands at its mark still: it must not be accepted again by itself.
		_, b.patience = t.Body.(pour.TakenBack)
		if _, ok := t.Body.(pour.Found); ok {
			b.guard.answered()
		}
		b.accepted = time.Time{}
	}
	b.mu.Unlock()
	b.Publish(state)
	return state, nil
}

// withReading puts the reading that a tap names into the body of its event.
func (b *Bench) withReading(batch string, t Tap) (pour.Body, error) {
	switch e := t.Body.(type) {
	case pour.Found:
		return b.found(batch, e, t.Asked)
	case pour.Rezeroed:
		if f, ok := b.zeroed(batch, t); ok {
			return f, nil
		}
	}
	place, needs := readingPlace(t.Body)
	if !needs {
		return t.Body, nil
	}
	if t.Typed != nil {
		return place(*t.Typed), nil
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	r := b.ring[t.Serial%keepReading]
	switch {
	case b.active != "" && b.active != batch:
		return nil, &pour.Refusal{Reason: pour.NotNow, Sentence: "Another cup is on this scale. Bring this batch to the bench first."}
	case b.lost:
		return nil, &pour.Refusal{Reason: pour.NotNow, Sentence: "The scale is lost. Check its cable and its power, or type the reading."}
	case t.Serial == 0 || r.Serial != t.Serial || b.now().Sub(r.at) > freshReading:
		return nil, &pour.Refusal{Reason: pour.Stale, Sentence: "That reading is from a while ago. Look at the scale and tap again."}
	case r.Status == scale.WrongUnit:
		return nil, &pour.Refusal{Reason: pour.NotNow, Sentence: "The scale does not show grams. Switch it to g and tap again."}
	case r.Status != scale.OK:
		return nil, &pour.Refusal{Reason: pour.NotNow, Sentence: fmt.Sprintf("The scale is %s. Nothing was booked.", r.Status)}
	case b.guard.question != nil && pours(t.Body):
		return nil, &pour.Refusal{Reason: pour.NotNow, Sentence: "Say first what changed. " + b.questionSentence(batch)}
	case t.Middle && b.guard.shaken != nil:
		return place(b.guard.shaken.middle), nil
	case b.guard.unwatched && pours(t.Body), !r.Stable:
		return nil, &pour.Refusal{Reason: pour.NotNow, Sentence: "The scale is still moving. Wait a moment and tap again."}
	}
	return place(r.Mass), nil
}

// pours reports whether a body books what came in.
func pours(body pour.Body) bool {
	_, ok := body.(pour.Poured)
	return ok
}

func (b *Bench) questionSentence(batch string) string {
	if c := b.cups[batch]; c != nil {
		if a := b.question(c.state); a != nil {
			return a.Say
		}
	}
	return ""
}

// found puts the two readings of a question into the event that answers it.
func (b *Bench) found(batch string, e pour.Found, asked int) (pour.Body, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	q := b.guard.question
	if b.active != batch || q == nil || q.No != asked {
		return nil, &pour.Refusal{Reason: pour.Stale, Sentence: "That has changed meanwhile. Look at the scale again."}
	}
	e.Before, e.Reading = q.Before, q.After
	if q.Flying != 0 && e.Cause == pour.CauseDisplay {
		e.Before = q.Flying
	}
	return e, nil
}

// zeroed turns "the display was zeroed" into an answer while something is poured, since what came in after the fall is
// paint. It reports false where the reading of the tap itself is to be taken.
func (b *Bench) zeroed(batch string, t Tap) (pour.Body, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	c := b.cups[batch]
	if t.Typed != nil || b.active != batch || c == nil || c.state.Need() != pour.NeedPour || b.lost || b.guard.unwatched {
		return nil, false
	}
	f := pour.Found{Cause: pour.CauseDisplay, Before: b.guard.rested, Reading: b.guard.rested}
	if q := b.guard.question; q != nil {
		f.Before, f.Reading = q.Before, q.After
		if q.Flying != 0 {
			f.Before = q.Flying
		}
	}
	return f, true
}

// readingPlace returns how to put a reading into a body, for the bodies that have one.
func readingPlace(body pour.Body) (func(gram.Mass) pour.Body, bool) {
	switch e := body.(type) {
	case pour.CupPlaced:
		return func(m gram.Mass) pour.Body { e.Reading = m; return e }, true
	case pour.Poured:
		return func(m gram.Mass) pour.Body { e.Reading = m; return e }, true
	case pour.LiftedOut:
		return func(m gram.Mass) pour.Body { e.Reading = m; return e }, true
	case pour.PouredOff:
		return func(m gram.Mass) pour.Body { e.Reading = m; return e }, true
	case pour.Moved:
		return func(m gram.Mass) pour.Body { e.Full = m; return e }, true
	case pour.Rezeroed:
		return func(m gram.Mass) pour.Body { e.Reading = m; return e }, true
	case pour.Drawn:
		return func(m gram.Mass) pour.Body { e.Reading = m; return e }, e.Mass == 0
	}
	return nil, false
}

// Wait stops the acceptance of the open step until the next tap.
func (b *Bench) Wait(batch string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.active == batch {
		b.patience = true
		b.tellLive()
	}
}

// Bring makes a batch the one whose cup is on this scale. What was accepted by itself before is left alone: after a
// change, or after a restart in mid-step, the first acceptance needs a tap. A batch that has ended, or whose readings are
// typed, has no cup on this scale.
func (b *Bench) Bring(state pour.State) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.active == state.Batch || state.Plan.Typed || state.Ended() {
		return
	}
	before := b.active
	defer func() { b.forget(before) }()
	b.active, b.still, b.accepted = state.Batch, still{}, time.Time{}
	b.patience = state.Held != nil
	b.guard.restart(known(state))
	b.keep(state)
	b.tellLive()
}

// Offer brings a batch that was planned just now, unless another cup stands on the scale with paint in it and something
// still to do: whoever pours that one is not to lose the scale because somebody else plans.
func (b *Bench) Offer(state pour.State) {
	b.mu.Lock()
	c := b.cups[b.active]
	busy := c != nil && b.active != state.Batch && c.state.Contents() > 0 && c.state.Need() != pour.NeedNext && !c.state.Ended()
	b.mu.Unlock()
	if !busy {
		b.Bring(state)
	}
}

// Active returns the batch whose cup is on the scale, or "".
func (b *Bench) Active() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.active
}
