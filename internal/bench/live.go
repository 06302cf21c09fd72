// The next of the four files of one pour is internal/store/event.go, which keeps what is recorded here.

// Package bench runs the pours that are under way: it takes readings from a scale, asks pour what they mean,
// records what is accepted, and tells every screen that follows a cup.
//
// It promises: an event is recorded before it is shown as done; snapshots go out whole and in order, the newest
// replacing those a slow screen has not fetched; readings go out newest-wins and are never recorded by themselves.
// It holds no rule of paint and no SQL, and hands out no type of package scale.
//
// Start at Bench, then Do (a tap) and Watch (a screen).
package bench

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"github.com/google/uuid"

	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/scale"
)

// Recorder keeps events: it validates a command against the batch and appends it, and returns once it is durable.
type Recorder interface {
	Record(ctx context.Context, batch string, cmd pour.Command) (pour.State, error)
}

// The times of the bench. Common practice, no source.
const (
	holdAfter   = 2 * time.Second         // a reading this long still is kept as held
	acceptAfter = 3 * time.Second         // and this long still at its mark is accepted by itself
	lateDrip    = 5 * time.Second         // a rise so soon after an acceptance may still be the toner before
	dripMost    = 1 * gram.Gram           // and more than this is no drip
	silence     = 1500 * time.Millisecond // without a reading the scale counts as lost
	retryFirst  = 250 * time.Millisecond
	retryMost   = 5 * time.Second
	keepReading = 1024 // readings that a tap may still name
)

// Bench is one scale and the cup on it.
type Bench struct {
	Name string

	scale    scale.Scale
	recorder Recorder
	now      func() time.Time
	log      *slog.Logger
	balance  gram.Balance
	why      string // the scale was lost last
	serials  uint64 // added to the device's own numbers, so that a reading of an earlier run is never named by mistake

	mu       sync.Mutex
	cups     map[string]*cup
	active   string // the batch whose cup is on the scale
	ring     [keepReading]arrival
	last     scale.Reading
	lastAt   time.Time
	lost     bool
	still    still
	waiting  bool // an acceptance or a hold is being recorded
	patience bool // the mixer stopped the acceptance of this step
	accepted time.Time
	emptied  *sightOfCheck
	drip     bool // it rose so soon after an acceptance that it may still be that toner
	guard    guard
	heard    []Heard // newest last
	tasks    chan task
}

// arrival is a reading and when it came in. The reading's own time may be that of a world that goes faster.
type arrival struct {
	scale.Reading
	at time.Time
}

type cup struct {
	state    pour.State
	watchers map[*Watcher]struct{}
}

type task struct {
	batch string
	cmd   pour.Command
}

// still is how long the display has stood at one place. A drift beyond one division starts it again, so that a
// slow drip is not taken for rest.
type still struct {
	mass  gram.Mass
	since time.Time
}

// New returns a bench that reads a scale. Run starts it.
func New(name string, s scale.Scale, r Recorder, now func() time.Time, log *slog.Logger) *Bench {
	return &Bench{
		Name: name, scale: s, recorder: r, now: now, log: log, balance: s.Balance(),
		// A thousand numbers for every millisecond since another run began; below 2^53, which a script can count to.
		serials: uint64(now().UnixMilli()) << 10 % (1 << 53),
		cups:    make(map[string]*cup), tasks: make(chan task, 1), lost: true,
	}
}

// Balance returns what the scale can show and carry.
func (b *Bench) Balance() gram.Balance {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.balance
}

// Run reads the scale until ctx ends. A device that fails is tried again, ever more slowly.
func (b *Bench) Run(ctx context.Context) error {
	var wait sync.WaitGroup
	wait.Go(func() { b.work(ctx) })
	wait.Go(func() { b.watchSilence(ctx) })
	defer wait.Wait()
	pause := retryFirst
	for {
		device := b.device()
		err := device.Read(ctx, func(r scale.Reading) {
			pause = retryFirst
			b.take(r)
		})
		if ctx.Err() != nil {
			return ctx.Err()
		}
		b.setLost(true)
		if errors.Is(err, scale.ErrClosed) {
			if b.device() != device {
				pause = retryFirst
				continue // another scale was chosen
			}
			return err
		}
		b.mu.Lock()
		b.why = err.Error()
		b.mu.Unlock()
		b.log.Warn("scale lost", "bench", b.Called(), "cause", err, "again_in", pause)
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(pause):
		}
		pause = min(2*pause, retryMost)
	}
}

// work records what the bench itself decided, away from the goroutine that reads the scale.
func (b *Bench) work(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case t := <-b.tasks:
			state, err := b.recorder.Record(ctx, t.batch, t.cmd)
			b.mu.Lock()
			b.waiting = false
			if err == nil {
				if _, ok := t.cmd.Body.(pour.Poured); ok {
					b.accepted, b.patience, b.drip = b.last.At, false, false
				}
			}
			b.mu.Unlock()
			var refusal *pour.Refusal
			switch {
			case err == nil:
				b.Publish(state)
			case errors.As(err, &refusal): // a tap was quicker
				b.Publish(state)
			default:
				b.log.Error("reading not recorded", "batch", t.batch, "cause", err)
			}
		}
	}
}

func (b *Bench) watchSilence(ctx context.Context) {
	tick := time.NewTicker(silence / 3)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			b.mu.Lock()
			quiet := !b.lost && b.now().Sub(b.lastAt) > silence
			b.mu.Unlock()
			if quiet {
				b.setLost(true)
			}
		}
	}
}

func (b *Bench) device() scale.Scale {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.scale
}

func (b *Bench) setLost(lost bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.lost == lost {
		return
	}
	b.lost = lost
	if lost {
		b.guard.blind()
	}
	b.tellLive()
}

// take is called for every reading, from one goroutine.
func (b *Bench) take(r scale.Reading) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.now()
	r.Serial += b.serials
	b.ring[r.Serial%keepReading] = arrival{r, now}
	b.last, b.lastAt, b.lost = r, now, false
	division := b.balance.At(r.Mass)
	if r.Status != scale.OK || !r.Stable || (r.Mass-b.still.mass).Abs() > division || b.still.since.IsZero() {
		b.still = still{mass: r.Mass, since: r.At}
	}
	b.hear(r, now)
	b.guardCup(r)
	b.decide(now)
	b.tellLive()
}

// guardCup lets the rules of faults.go see a reading, while something is to be poured.
func (b *Bench) guardCup(r scale.Reading) {
	c := b.cups[b.active]
	switch {
	case c == nil || c.state.Plan.Typed || c.state.Need() != pour.NeedPour:
		b.drip = false
	case r.Status != scale.OK:
		b.guard.blind()
	default:
		b.guard.add(sight{mass: r.Mass, settled: r.Stable, at: r.At, came: b.lastAt}, b.facts(c.state))
		net, division := r.Mass-c.state.Last, b.balance.At(r.Mass)
		if !b.accepted.IsZero() && r.At.Sub(b.accepted) < lateDrip && net >= division {
			b.drip = true
		}
		if net < division || net > max(dripMost, 5*division) {
			b.drip = false
		}
	}
}

// decide keeps a reading that has stood still in mid-step, and accepts one that has stood still at its mark.
func (b *Bench) decide(now time.Time) {
	c := b.cups[b.active]
	if c == nil || b.waiting || b.last.Status != scale.OK || !b.last.Stable || b.guard.question != nil || b.guard.unwatched {
		return
	}
	s := c.state
	step, ok := s.Open()
	if !ok || s.Plan.Typed {
		return
	}
	rest := b.last.At.Sub(b.still.since)
	body := pour.Body(nil)
	switch {
	case rest >= acceptAfter && b.mayAccept(s, step):
		body = pour.Poured{Step: step.No, Attempt: s.Attempt(step.No), Key: step.Key, Reading: b.last.Mass, Auto: true}
	case rest >= holdAfter && b.worthHolding(s):
		body = pour.Held{Step: step.No, Reading: b.last.Mass}
	default:
		return
	}
	cmd := pour.Command{
		ID: uuid.Must(uuid.NewV7()).String(), Seen: s.Decided, Epoch: s.Epoch, Device: pour.Bench, By: s.Name, At: now, Body: body,
	}
	select {
	case b.tasks <- task{b.active, cmd}:
		b.waiting = true
	default:
	}
}

func (b *Bench) mayAccept(s pour.State, step pour.Step) bool {
	net := b.last.Mass - s.Last
	return !b.patience && net >= step.Aim-b.balance.At(b.last.Mass) && net <= step.Aim+step.Tolerance
}

func (b *Bench) worthHolding(s pour.State) bool {
	known := s.Last
	if s.Held != nil {
		known = *s.Held
	}
	return b.last.Mass-known >= b.balance.At(b.last.Mass)
}
