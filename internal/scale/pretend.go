package scale

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"time"

	"pourbook/internal/gram"
)

// PretendSetup says what a pretend scale is like. The zero value of every field but Balance stands for a default.
type PretendSetup struct {
	Balance gram.Balance // needs a Division
	Rate    float64      // readings per second; 10
	Lag     time.Duration
	Noise   float64 // of a division while the load moves, less than 0.5; 0.3, and less than 0 for none
	Hand    Hand    // who pours; Sure
	Seed    uint64
	Speed   float64 // how much faster than the clock its world goes; 1
	Clock   Clock   // Wall
}

// The defaults of a PretendSetup (common practice, no source: a bench scale shows some ten readings a second and
// lags by a few tenths of a second).
const (
	defaultRate  = 10
	defaultLag   = 200 * time.Millisecond
	defaultNoise = 0.3
)

// Pretend is a simulated scale with a simulated hand at it, on which the whole program runs without a device.
//
// What it shows lags behind the load, trembles by less than half a division while the load moves, and comes to
// rest on the true load rounded to the division. It keeps no zero of its own accord: zero tracking, creep and
// temperature are left out. Its world goes on whether or not anybody reads, Speed times as fast as its clock, and
// a Reading's At is in that world's time, so that windows of seconds are judged right at any Speed.
//
// What happens depends only on the setup and on which controls are used at which times of the clock; on a Stepped
// clock that makes every run the same. All methods are safe for concurrent use, and may be called from each.
type Pretend struct {
	setup PretendSetup
	every time.Duration // between readings
	rest  time.Duration // how long the display has to keep still before it calls itself stable
	alpha float64       // share of the lag made up for in one tick

	mu      sync.Mutex
	hands   *rand.Rand // draws for the hand and for the noise are kept apart, so that
	tremble *rand.Rand // how often somebody reads does not change what is poured
	clockAt time.Time  // time of the clock up to which the world has gone on
	worldAt time.Time
	owed    time.Duration // world time not yet worth a tick

	load    gram.Mass // on the pan
	lifted  gram.Mass // in the hand, to be returned
	aside   bool      // lifted counts
	tare    gram.Mass
	pour    *pour
	over    *gram.Mass
	paste   bool
	draught float64 // divisions
	ounces  bool
	asleep  bool
	gone    bool

	shown   float64 // mg, filtered, before noise and rounding
	anchor  float64 // where shown has been since anchorAt, within a quarter of a division
	since   time.Duration
	touched time.Duration // since the load last changed

	serial uint64
	stop   context.CancelCauseFunc // ends the running Read; nil when none runs
	closed bool
}

// tick is the step in which the world goes on.
const tick = 10 * time.Millisecond

// NewPretend returns a pretend scale with an empty pan, switched on.
// A setup that no scale could have returns an error.
func NewPretend(s PretendSetup) (*Pretend, error) {
	if s.Rate == 0 {
		s.Rate = defaultRate
	}
	if s.Lag == 0 {
		s.Lag = defaultLag
	}
	switch {
	case s.Noise == 0:
		s.Noise = defaultNoise
	case s.Noise < 0:
		s.Noise = 0
	}
	if s.Speed == 0 {
		s.Speed = 1
	}
	if s.Clock == nil {
		s.Clock = Wall{}
	}
	b := s.Balance
	switch {
	case b.Division <= 0:
		return nil, fmt.Errorf("a pretend scale with a division of %v cannot show anything: give it one, such as 0.1 g", b.Division)
	case b.HighFrom > 0 && b.HighDivision < b.Division:
		return nil, fmt.Errorf("the upper range of the pretend scale shows %v, finer than the lower one's %v: give the upper range the larger division", b.HighDivision, b.Division)
	case b.HighFrom > 0 && b.HighFrom%b.HighDivision != 0:
		return nil, fmt.Errorf("the upper range of the pretend scale begins at %v, between two of its steps of %v: let it begin on one", b.HighFrom, b.HighDivision)
	case b.Max < 0 || b.Max > gram.MaxMass:
		return nil, fmt.Errorf("a pretend scale cannot carry %v: give it a maximum between nothing and %v", b.Max, gram.MaxMass)
	case !(s.Rate > 0 && s.Rate <= 100):
		return nil, fmt.Errorf("a pretend scale cannot give %v readings a second: ask for 1 to 100", s.Rate)
	case s.Lag < 0 || s.Lag > 5*time.Second:
		return nil, fmt.Errorf("a pretend scale cannot lag by %v: ask for up to 5 s", s.Lag)
	case !(s.Noise < 0.5):
		return nil, fmt.Errorf("noise of %v divisions would never come to rest: ask for less than half a division", s.Noise)
	case !(s.Speed > 0 && s.Speed <= 1000):
		return nil, fmt.Errorf("a pretend scale cannot run at %v times the clock: ask for up to 1000", s.Speed)
	}
	if err := s.Hand.check(); err != nil {
		return nil, err
	}
	now := s.Clock.Now()
	return &Pretend{
		setup: s,
		every: time.Duration(float64(time.Second) / s.Rate),
		// At 2.5 lags a step that still moves the display by less than a quarter of a division is all but over.
		rest:    max(500*time.Millisecond, s.Lag*5/2),
		alpha:   1 - math.Exp(-float64(tick)/float64(s.Lag)),
		hands:   rand.New(rand.NewPCG(s.Seed, 1)),
		tremble: rand.New(rand.NewPCG(s.Seed, 2)),
		clockAt: now, worldAt: now,
		since: time.Hour, touched: time.Hour,
	}, nil
}

// Balance returns what the pretend scale can show and carry.
func (p *Pretend) Balance() gram.Balance { return p.setup.Balance }

// Read reports the display at every turn of Rate; see Scale. It ends with ErrGone when the plug is pulled.
// When each takes longer than a turn, readings are left out, as a display that changes unseen.
func (p *Pretend) Read(ctx context.Context, each func(Reading)) error {
	running, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)

	p.mu.Lock()
	switch {
	case p.closed:
		p.mu.Unlock()
		return ErrClosed
	case p.stop != nil:
		p.mu.Unlock()
		return ErrBusy
	case p.gone:
		p.mu.Unlock()
		return ErrGone
	}
	p.stop = cancel
	p.goOn()
	due := p.worldAt.Add(p.every)
	p.mu.Unlock()
	defer func() {
		p.mu.Lock()
		p.stop = nil
		p.mu.Unlock()
	}()

	for {
		p.mu.Lock()
		p.goOn()
		wait := due.Sub(p.worldAt.Add(p.owed))
		p.mu.Unlock()
		if wait > 0 {
			_ = p.setup.Clock.Sleep(running, time.Duration(math.Ceil(float64(wait)/p.setup.Speed)))
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if running.Err() != nil {
			return context.Cause(running)
		}
		p.mu.Lock()
		p.goOn()
		r := p.reading()
		due = due.Add(p.every)
		if due.Before(p.worldAt) {
			due = p.worldAt.Add(p.every)
		}
		p.mu.Unlock()
		each(r)
	}
}

// Close switches the pretend scale off for good; see Scale.
func (p *Pretend) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.closed = true
	if p.stop != nil {
		p.stop(ErrClosed)
	}
	return nil
}

// True returns the load that is really on the pan, cup and all, whatever the display shows.
func (p *Pretend) True() gram.Mass {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.goOn()
	return p.load
}

// Pouring reports whether the hand is still pouring.
func (p *Pretend) Pouring() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.goOn()
	return p.pour != nil
}

// Place takes off whatever stands on the pan and puts a cup of mass m on it.
func (p *Pretend) Place(m gram.Mass) error {
	return p.act(func() error {
		if m <= 0 || m > gram.MaxMass {
			return fmt.Errorf("a cup cannot weigh %v: give its mass in grams, more than nothing", m)
		}
		p.pour, p.aside, p.lifted = nil, false, 0
		p.touch(m - p.load)
		return nil
	})
}

// Lift takes everything off the pan and keeps it in the hand, which stops pouring.
func (p *Pretend) Lift() error {
	return p.act(func() error {
		if p.aside {
			return fmt.Errorf("the cup is already off the scale: put it back first")
		}
		p.pour, p.aside, p.lifted = nil, true, p.load
		p.touch(-p.load)
		return nil
	})
}

// Return puts back what Lift took off, on top of anything put there since.
func (p *Pretend) Return() error {
	return p.act(func() error {
		if !p.aside {
			return fmt.Errorf("nothing was lifted off the scale: there is nothing to put back")
		}
		m := p.lifted
		p.aside, p.lifted = false, 0
		p.touch(m)
		return nil
	})
}

// Add puts m on the load at once: a stirring stick, a splash.
func (p *Pretend) Add(m gram.Mass) error {
	return p.act(func() error {
		if m <= 0 || m > gram.MaxMass || p.load+m > gram.MaxMass {
			return fmt.Errorf("%v cannot be put on the scale: give a mass of more than nothing that fits on it", m)
		}
		p.touch(m)
		return nil
	})
}

// Remove takes m off the load at once: paint lifted out, the stick taken away.
func (p *Pretend) Remove(m gram.Mass) error {
	return p.act(func() error {
		if m <= 0 || m > p.load {
			return fmt.Errorf("%v cannot be taken off: there is %v on the scale", m, p.load)
		}
		p.touch(-m)
		return nil
	})
}

// Pour lets the hand pour towards a further target on top of the load. It returns at once; the pour takes as long
// as a person would, in the pretend scale's time: some eight seconds for 100 g.
func (p *Pretend) Pour(target gram.Mass) error {
	return p.act(func() error {
		switch {
		case p.pour != nil:
			return fmt.Errorf("the hand is already pouring: stop it first")
		case p.aside:
			return fmt.Errorf("the cup is off the scale: put it back before pouring")
		case target <= 0 || target > gram.MaxMass || p.load+target > gram.MaxMass:
			return fmt.Errorf("%v cannot be poured: give a mass of more than nothing that fits on the scale", target)
		}
		excess := p.setup.Hand.excess(target, p.hands)
		if p.over != nil {
			excess = *p.over
		}
		if target+excess <= 0 {
			return fmt.Errorf("a pour of %v cannot end %v short: make it end nearer to its target", target, excess.Abs())
		}
		p.over = nil
		drop := thinDrop
		if p.paste {
			drop = pasteDrop
		}
		p.pour = newPour(target+excess, drop)
		return nil
	})
}

// Stop ends the pour at once. Without a pour it does nothing.
func (p *Pretend) Stop() {
	_ = p.act(func() error { p.pour = nil; return nil })
}

// Over makes the next pour end m over its target, or short of it where m is negative, to within the last drop.
func (p *Pretend) Over(m gram.Mass) error {
	return p.act(func() error {
		if m > gram.MaxMass || m < -gram.MaxMass {
			return fmt.Errorf("%v over is more than any pour: give a mass that fits on the scale", m)
		}
		p.over = &m
		return nil
	})
}

// Paste says whether what is poured next is a paste, with heavier drops, or thin.
func (p *Pretend) Paste(on bool) {
	_ = p.act(func() error { p.paste = on; return nil })
}

// Zero is somebody pressing the tare key: the display shows nothing from here on.
func (p *Pretend) Zero() {
	_ = p.act(func() error {
		p.tare, p.asleep = p.load, false
		p.shown, p.anchor, p.since = 0, 0, 0
		return nil
	})
}

// Unplug pulls the data plug: Read ends with ErrGone. The scale itself stays switched on and keeps its zero.
func (p *Pretend) Unplug() {
	_ = p.act(func() error {
		p.gone = true
		if p.stop != nil {
			p.stop(ErrGone)
		}
		return nil
	})
}

// Plug puts the data plug back, so that Read works again.
func (p *Pretend) Plug() {
	_ = p.act(func() error { p.gone = false; return nil })
}

// Ounces is somebody pressing the unit key: the display shows ounces, or grams again.
func (p *Pretend) Ounces(on bool) {
	_ = p.act(func() error { p.ounces, p.asleep = on, false; return nil })
}

// Sleep switches the display off. Any change of the load by a division, or any key, wakes it.
func (p *Pretend) Sleep() {
	_ = p.act(func() error { p.asleep = true; return nil })
}

// Draught lets the display tremble by up to so many divisions either way, as under a fan, and never come to rest.
// 0 ends it.
func (p *Pretend) Draught(divisions float64) error {
	return p.act(func() error {
		if !(divisions >= 0 && divisions <= 1000) {
			return fmt.Errorf("a draught of %v divisions is not one: give 0 to 1000", divisions)
		}
		p.draught, p.since = divisions, 0
		return nil
	})
}

// act brings the world up to now and then changes it.
func (p *Pretend) act(change func() error) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.goOn()
	return change()
}

// touch changes the load by m.
func (p *Pretend) touch(m gram.Mass) {
	p.load += m
	p.touched = 0
	if m.Abs() >= p.setup.Balance.At(p.load) {
		p.asleep = false
	}
}

// goOn lets the world run up to the present time of the clock. A clock that was set back stops it for that while.
func (p *Pretend) goOn() {
	now := p.setup.Clock.Now()
	gone := now.Sub(p.clockAt)
	p.clockAt = now
	if gone <= 0 {
		return
	}
	p.owed += time.Duration(float64(gone) * p.setup.Speed)
	for ; p.owed >= tick; p.owed -= tick {
		if p.still() {
			// Nothing more will change until somebody acts: a night can go by at once.
			p.since, p.touched = p.since+p.owed, p.touched+p.owed
			p.worldAt = p.worldAt.Add(p.owed)
			p.owed = 0
			return
		}
		p.step()
	}
}

// still reports whether hand and display have both come to rest.
func (p *Pretend) still() bool {
	return p.pour == nil && p.shown == float64(p.load-p.tare) && p.since >= p.rest && p.touched >= p.rest
}

// step lets one tick of the world go by.
func (p *Pretend) step() {
	p.worldAt = p.worldAt.Add(tick)
	p.touched += tick
	if p.pour != nil {
		fell, over := p.pour.step(tick, p.hands)
		if fell > 0 {
			p.touch(fell)
		}
		if over {
			p.pour = nil
		}
	}
	goal := float64(p.load - p.tare)
	p.shown += p.alpha * (goal - p.shown)
	p.since += tick
	if math.Abs(p.shown-p.anchor) > float64(p.setup.Balance.At(p.load))/4 {
		p.anchor, p.since = p.shown, 0
	}
	if p.since >= p.rest && p.touched >= p.rest {
		// The device averages longer the longer nothing moves, until nothing of lag and noise is left.
		p.shown = goal
	}
}

// reading returns what the display shows now.
func (p *Pretend) reading() Reading {
	p.serial++
	r := Reading{Serial: p.serial, At: p.worldAt, Status: OK}
	b := p.setup.Balance
	// The range goes by what the display has got to, not by what it is on its way to.
	d := b.At(gram.Mass(math.Round(p.shown)) + p.tare)
	// Nine divisions above the maximum the display goes blank, as the rules for shop scales have it (OIML R 76-1,
	// clause on the safety against overload, from memory).
	switch {
	case p.asleep:
		r.Status, r.Raw = Asleep, ""
		return r
	case b.Max > 0 && p.load > b.Max+9*b.At(b.Max):
		r.Status, r.Raw = Overload, "overload"
		return r
	}
	value, stable := p.shown, p.since >= p.rest && p.draught == 0
	noise := p.setup.Noise
	if p.draught > 0 {
		noise = p.draught
	}
	if tremble := (p.tremble.Float64() + p.tremble.Float64() - 1) * noise * float64(d); !stable {
		value += tremble
	}
	r.Stable = stable
	word := "moving"
	if stable {
		word = "stable"
	}
	if p.ounces {
		oz := math.Round(value/ounce/ounceStep(d)) * ounceStep(d)
		r.Mass, r.Status = gram.Mass(math.Round(oz*ounce)), WrongUnit
		r.Raw = fmt.Sprintf("%s %.4f oz", word, oz)
		return r
	}
	r.Mass = gram.Mass(math.Round(value)).Round(d)
	r.Raw = word + " " + r.Mass.Show(d) + " g"
	return r
}

// ounce is one avoirdupois ounce in milligrams: a sixteenth of the pound, which is 453.592 37 g exactly.
const ounce = 28349.523125

// ounceStep returns the step in ounces of a display whose division in grams is d: the next of 1, 2, 5, 10 … upwards.
func ounceStep(d gram.Mass) float64 {
	finest := float64(d) / ounce
	decade := math.Pow(10, math.Floor(math.Log10(finest)))
	for _, k := range []float64{1, 2, 5} {
		if k*decade >= finest {
			return k * decade
		}
	}
	return 10 * decade
}
