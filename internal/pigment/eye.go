package pigment

import (
	"errors"
	"fmt"
	"math"

	"pourbook/internal/colour"
	"pourbook/internal/gram"
)

// Eye is what the eye says of a card beside its target, where there is no instrument: for each axis a step from -3 to
// 3. 1 is a trace, 2 is plain to see, 3 is much; below 0 is darker, greener, bluer, greyer.
type Eye struct{ Lighter, Redder, Yellower, Cleaner int }

// steps is ΔE00 for each size of step. Common practice, no source: an experienced eye sees about half a unit side by
// side, and calls two units much.
var steps = [4]float64{0, 0.5, 1, 2}

// greyest is the chroma below which a colour has no direction of its own to be cleaner or greyer in.
const greyest = 2

// Difference returns the verdict as a difference in Lab from a target of the given colour to the card: card minus
// target. Each step is as long as ΔE00 is along its axis there. A step beyond 3, a verdict of nothing, and cleaner or
// greyer said of a grey, are errors.
func (e Eye) Difference(at colour.Lab) (colour.Lab, error) {
	if err := at.Valid(); err != nil {
		return colour.Lab{}, err
	}
	if e == (Eye{}) {
		return colour.Lab{}, errors.New("the verdict says that the card matches: there is nothing to put right")
	}
	chroma := at.Chroma()
	if e.Cleaner != 0 && chroma < greyest {
		return colour.Lab{}, errors.New("a grey cannot be cleaner or greyer: say which colour it leans to, redder, greener, yellower or bluer")
	}
	u := metricAt(at)
	out := colour.Lab{}
	for _, axis := range [...]struct {
		name string
		step int
		unit colour.Lab
	}{
		{"lighter", e.Lighter, colour.Lab{L: 1}},
		{"redder", e.Redder, colour.Lab{A: 1}},
		{"yellower", e.Yellower, colour.Lab{B: 1}},
		{"cleaner", e.Cleaner, colour.Lab{A: at.A / chroma, B: at.B / chroma}},
	} {
		if axis.step < -3 || axis.step > 3 {
			return colour.Lab{}, fmt.Errorf("a step of %d in %s is too far for an eye: give -3 to 3", axis.step, axis.name)
		}
		if axis.step == 0 {
			continue
		}
		size := steps[max(axis.step, -axis.step)]
		if axis.step < 0 {
			size = -size
		}
		d := under(u, axis.unit)
		size /= math.Sqrt(d[0]*d[0] + d[1]*d[1] + d[2]*d[2])
		out.L += size * axis.unit.L
		out.A += size * axis.unit.A
		out.B += size * axis.unit.B
	}
	return out, nil
}

// FirstAsk is a cup whose card was judged by eye.
type FirstAsk struct {
	In       []gram.Mass // what the cup holds, by toner of the palette
	Eye      Eye
	Division gram.Mass
	Room     gram.Mass // the most that may be in the cup afterwards, 0 for any amount
	Allow    []bool    // which toners may be added, by toner; nil for all
}

// First is a cautious first addition.
type First struct {
	Toner int       // of the palette, -1 where nothing helps
	Mass  gram.Mass // to add now: half of what the verdict asks for, rounded down to the division; 0 if that is less
	Whole gram.Mass // all that it asks for, for the record
	// Told is the size of the verdict in ΔE00, Left what would be left of it after all of Whole, if the eye is right.
	Told, Left float64
}

// cautious is the part of what an eye asks for that is added at first. Common practice, no source.
const cautious = 0.5

// First returns the one toner that takes most of what an eye has seen out of a cup, and half of its amount. A toner
// already in the cup is taken unless another leaves a quarter of the verdict less. The colour is that which the toners' data predict,
// under D65 for 10 degrees: an eye does not measure, so nothing is anchored.
func (p *Palette) First(ask FirstAsk) (First, error) {
	tint := TintAsk{In: ask.In, Limit: 1, Division: ask.Division, MostToners: 1, Room: ask.Room}
	grams, err := tint.check(p)
	if err != nil {
		return First{}, err
	}
	if ask.Allow != nil && len(ask.Allow) != len(grams) {
		return First{}, fmt.Errorf("it is said of %d toners whether they may be added, and there are %d: say it of each", len(ask.Allow), len(grams))
	}
	card, err := p.Predict(grams, Coat{})
	if err != nil {
		return First{}, err
	}
	weights, err := p.lightsFor([]colour.Illuminant{colour.D65}, colour.TenDegrees)
	if err != nil {
		return First{}, err
	}
	pivot, err := p.ratio(card, "the colour of the cup")
	if err != nil {
		return First{}, err
	}
	at := weights[0].Lab(card.Values())
	off, err := ask.Eye.Difference(at)
	if err != nil {
		return First{}, err
	}
	target := colour.Lab{L: at.L - off.L, A: at.A - off.A, B: at.B - off.B}
	ones := make([]float64, p.grid.Count)
	for i := range ones {
		ones[i] = 1
	}
	t := newTinter(p.gauge(ones, weights, []colour.Lab{target}), grams, pivot, tint)
	out := First{Toner: -1, Told: t.before, Left: t.before}
	best, rank := 0.0, t.before
	for toner := range grams {
		if ask.Allow != nil && !ask.Allow[toner] {
			continue
		}
		d, ok := t.sketch([]int{toner})
		if !ok {
			continue
		}
		t.nearest(&d)
		handicap := 0.0
		if grams[toner] == 0 {
			handicap = t.before / 4
		}
		if d.e+handicap < rank {
			rank, best = d.e+handicap, d.grams[0]
			out.Toner, out.Left = toner, d.e
		}
	}
	if out.Toner >= 0 {
		out.Whole = gram.Of(best)
		out.Mass = gram.Of(cautious*best) / ask.Division * ask.Division
	}
	return out, nil
}
