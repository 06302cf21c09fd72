package scale

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"pourbook/internal/gram"
)

// Hand is somebody who pours, as the pretend scale simulates them: a fast stream, a slower one, then drops until
// the display shows what was wanted. All its numbers are common practice, from memory, no source.
type Hand struct {
	// What is usually poured too much, evenly between nothing and this, before a slip: a small pour (20 g and
	// less) and a large one (100 g and more) have limits of their own, and those in between lie on the line.
	SmallExcess      gram.Mass
	LargeExcessLeast gram.Mass
	LargeExcess      gram.Mass

	// The chance that a pour slips, and what then comes on top: lognormal, with this median and this spread (the
	// standard deviation of its natural logarithm).
	Slip       float64
	SlipMedian gram.Mass
	SlipSpread float64
}

// Skilled returns a hand that has poured for years: one slip in thirty pours.
func Skilled() Hand {
	return Hand{
		SmallExcess: gram.Of(0.2), LargeExcessLeast: gram.Of(0.2), LargeExcess: gram.Of(1),
		Slip: 1.0 / 30, SlipMedian: gram.Of(0.6), SlipSpread: 0.8,
	}
}

// Apprentice returns a hand that still learns: twice the excess, one slip in ten pours, and larger ones.
func Apprentice() Hand {
	return Hand{
		SmallExcess: gram.Of(0.4), LargeExcessLeast: gram.Of(0.4), LargeExcess: gram.Of(2),
		Slip: 1.0 / 10, SlipMedian: gram.Of(1), SlipSpread: 0.8,
	}
}

// Sure returns a hand without excess and without slips: it stops at the first drop that reaches the target.
func Sure() Hand { return Hand{} }

const (
	smallPour = 20 * gram.Gram
	largePour = 100 * gram.Gram
)

// check refuses a hand that nobody has.
func (h Hand) check() error {
	for _, m := range []gram.Mass{h.SmallExcess, h.LargeExcessLeast, h.LargeExcess, h.SlipMedian} {
		if m < 0 || m > gram.Kilogram {
			return fmt.Errorf("a hand cannot usually pour %v too much: give it nothing to 1 kg", m)
		}
	}
	if !(h.Slip >= 0 && h.Slip <= 1) || !(h.SlipSpread >= 0 && h.SlipSpread <= 2) {
		return fmt.Errorf("a hand cannot slip in %v of its pours with a spread of %v: give a share of 0 to 1 and a spread of 0 to 2", h.Slip, h.SlipSpread)
	}
	return nil
}

// excess draws how much too much comes of one pour towards target.
// It draws the same number of random values every time, so that one slip does not reshuffle all later pours.
func (h Hand) excess(target gram.Mass, rng *rand.Rand) gram.Mass {
	usual, slips, size := rng.Float64(), rng.Float64(), rng.NormFloat64()
	t := (target - smallPour).Grams() / (largePour - smallPour).Grams()
	t = math.Min(math.Max(t, 0), 1)
	least := t * h.LargeExcessLeast.Grams()
	most := h.SmallExcess.Grams() + t*(h.LargeExcess-h.SmallExcess).Grams()
	g := least + usual*(most-least)
	if slips < h.Slip {
		g += h.SlipMedian.Grams() * math.Exp(h.SlipSpread*size)
	}
	return gram.Of(g)
}

// Drops of thin paint and of paste (common practice, from memory).
var (
	thinDrop  = [2]gram.Mass{gram.Of(0.02), gram.Of(0.06)}
	pasteDrop = [2]gram.Mass{gram.Of(0.05), gram.Of(0.15)}
)

// A pour is one stream on its way into the cup. goal is what the hand will really let in.
type pour struct {
	goal   float64 // mg
	in     float64 // mg in the cup so far
	booked gram.Mass
	age    time.Duration
	fast   float64       // mg/s
	slowAt float64       // mg still to come when the stream is made thinner
	dropAt float64       // mg still to come when it is broken into drops
	drop   [2]gram.Mass  // least and most
	nextIn time.Duration // until the next drop
}

// How long the parts of a pour take, whatever its size, within the rates that a hand can hold.
const (
	tilt      = 300 * time.Millisecond // from tilting the tin to the first of the stream
	swell     = 500 * time.Millisecond // until the stream has its full width
	fastTime  = 4.5                    // s
	slowTime  = 2.0                    // s
	fastLeast = 800.0                  // mg/s
	fastMost  = 60_000.0               // mg/s
	perDrop   = 250 * time.Millisecond
)

// newPour starts a pour that will let goal in, in drops of the size of drop.
func newPour(goal gram.Mass, drop [2]gram.Mass) *pour {
	g := float64(goal)
	p := &pour{goal: g, drop: drop}
	p.slowAt = math.Min(math.Max(0.08*g, 400), 8000)
	p.dropAt = 5 * float64(drop[0]+drop[1]) / 2
	p.fast = math.Min(math.Max((g-p.slowAt)/fastTime, fastLeast), fastMost)
	return p
}

// step lets the pour run on for dt and returns what fell into the cup meanwhile, and whether the pour is over.
func (p *pour) step(dt time.Duration, rng *rand.Rand) (gram.Mass, bool) {
	p.age += dt
	if p.age <= tilt {
		return 0, false
	}
	const half = 0.5 // mg, which no scale shows; it keeps float remainders from holding up a stream
	left := p.goal - p.in
	switch {
	case left > p.slowAt+half:
		rate := p.fast * math.Min(1, float64(p.age-tilt)/float64(swell))
		p.in += math.Min(rate*dt.Seconds(), left-p.slowAt)
	case left > p.dropAt+half:
		rate := (p.slowAt - p.dropAt) / slowTime
		p.in += math.Min(rate*dt.Seconds(), left-p.dropAt)
	default:
		p.nextIn -= dt
		if p.nextIn > 0 {
			break
		}
		p.nextIn += perDrop
		p.in += float64(p.drop[0]) + rng.Float64()*float64(p.drop[1]-p.drop[0])
	}
	fell := gram.Mass(math.Round(p.in)) - p.booked
	p.booked += fell
	return fell, p.booked >= gram.Mass(p.goal)
}
