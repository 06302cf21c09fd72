// Package rehearse pours simulated cups and compares ways of dealing with overshoots on the same cups and the same
// hands. Pourbook's own ways go through the very functions of the bench: pour.NewPlan, pour.Accept, State.Apply and
// pour.Choices, of which the first is taken.
//
// It promises that a seed gives the same figures always, that all ways meet the same hand (the n-th pour of a toner
// into a cup errs alike in all of them), and that nothing thrown away is left out of the paint used.
//
// The toners are invented: plausible absorption and scattering, from the seed. Hands are common practice, from
// memory, no source. Nobody lifts paint out of a cup here, since what comes up is never quite one toner. Cups are large
// enough for whatever goes in. Flake is not rehearsed.
//
// Start at Run (run.go), then Hand (this file), newCup (cup.go), the ways (way.go, bench.go) and hindsight.go.
package rehearse

import (
	"fmt"
	"math"
	"math/rand/v2"

	"pourbook/internal/gram"
)

// Hand is somebody who pours. All figures are common practice, from memory, no source.
type Hand struct {
	Name string

	// What is usually too much, evenly between the two: on pours up to 20 g, and from 100 g up; in between the limits
	// lie on a line.
	Small, Large [2]gram.Mass

	// One pour in so many slips, 0: none. What then comes on top is lognormal, whatever the target.
	SlipOneIn              float64
	SlipMedian, SlipMostly gram.Mass // median and 95th percentile

	// One pour in so many is of a wrong toner, 0: none.
	WrongOneIn float64

	// Whether a stream ends in drops.
	Drops bool
}

// Hands returns the hands that can be rehearsed.
func Hands() []Hand {
	skilled := Hand{
		Name: "skilled", Small: [2]gram.Mass{0, gram.Of(0.2)}, Large: [2]gram.Mass{gram.Of(0.2), gram.Of(1)},
		SlipOneIn: 30, SlipMedian: gram.Of(0.6), SlipMostly: gram.Of(4), WrongOneIn: 400, Drops: true,
	}
	apprentice := skilled
	apprentice.Name, apprentice.SlipOneIn = "apprentice", 12
	return []Hand{skilled, apprentice, {Name: "sure"}}
}

// HandNamed returns a hand by its name.
func HandNamed(name string) (Hand, error) {
	for _, h := range Hands() {
		if h.Name == name {
			return h, nil
		}
	}
	return Hand{}, fmt.Errorf("there is no hand called %q: choose skilled, apprentice or sure", name)
}

// Drops of thin paint and of paste. Common practice, from memory, no source.
var (
	thinDrop  = [2]gram.Mass{gram.Of(0.02), gram.Of(0.06)}
	pasteDrop = [2]gram.Mass{gram.Of(0.05), gram.Of(0.15)}
)

const (
	smallPour = 20 * gram.Gram
	largePour = 100 * gram.Gram
)

// fall is all the chance in one pour, drawn before anybody knows how much is to be poured.
type fall struct {
	usual, slips, drop, size, wrong, which float64
	slip                                   float64 // standard normal
}

// fallOf draws the chance of a cup's pour of a toner: the same for every way of dealing with it.
func fallOf(seed, cup uint64, toner, time int) fall {
	rng := rand.New(rand.NewPCG(seed, cup<<16^uint64(toner)<<8^uint64(time)))
	return fall{
		usual: rng.Float64(), slips: rng.Float64(), drop: rng.Float64(), size: rng.Float64(), wrong: rng.Float64(),
		which: rng.Float64(), slip: rng.NormFloat64(),
	}
}

// z95 is the 95th percentile of the standard normal distribution.
const z95 = 1.6448536269514722

// excess returns the grams that a pour of so much brings too much.
func (h Hand) excess(target float64, drop [2]gram.Mass, f fall) float64 {
	t := (target - smallPour.Grams()) / (largePour - smallPour).Grams()
	t = math.Min(math.Max(t, 0), 1)
	least := h.Small[0].Grams() + t*(h.Large[0]-h.Small[0]).Grams()
	most := h.Small[1].Grams() + t*(h.Large[1]-h.Small[1]).Grams()
	g := least + f.usual*(most-least)
	if h.SlipOneIn > 0 && f.slips*h.SlipOneIn < 1 {
		spread := math.Log(h.SlipMostly.Grams()/h.SlipMedian.Grams()) / z95
		g += h.SlipMedian.Grams() * math.Exp(spread*f.slip)
	}
	if h.Drops {
		g += f.drop * (drop[0].Grams() + f.size*(drop[1]-drop[0]).Grams())
	}
	return g
}

// wrong reports whether a pour is of a wrong toner.
func (h Hand) wrongToner(f fall) bool { return h.WrongOneIn > 0 && f.wrong*h.WrongOneIn < 1 }
