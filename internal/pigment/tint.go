package pigment

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"pourbook/internal/colour"
	"pourbook/internal/gram"
)

// TintAsk is a card that is not yet right, and what may be done about it.
type TintAsk struct {
	In           []gram.Mass     // what the cup holds, or the formula, by toner of the palette
	Card, Target colour.Spectrum // as measured; the card was sprayed from In, and both hide
	Lights       []colour.Illuminant
	Observer     colour.Observer
	Limit        float64     // the largest ΔE00 under any light that counts as right
	Division     gram.Mass   // of the scale
	Prefer       []bool      // toners that are as good as those in the cup, by toner; nil for none
	MostToners   int         // that may be touched; at most 6
	Room         gram.Mass   // the most that may be in the cup afterwards, 0 for any amount
	Free         bool        // toners may be taken out too: for a new variant, not for paint in a cup
	Ready        []gram.Mass // what the shelf holds by toner, nil for plenty
}

// Tint is what to add.
type Tint struct {
	Change        []gram.Mass // by toner of the palette, whole divisions; below 0 only if Free
	Before, After float64     // the largest ΔE00 over the lights, of the card and of what it becomes
	Total         gram.Mass
	Meets         bool // After is within the limit, and the scale is fine enough for it
	Coarse        bool // half a division of one of the changes moves the colour by more than a quarter of the limit
	// AnchorLeast and AnchorMost are the range of (K/S of the card)/(K/S predicted) where the eye sees. Outside AnchorLow to
	// AnchorHigh the card is not what the toners' data say, and the advice is a guess.
	AnchorLeast, AnchorMost float64
}

// The range of the anchor within which the toners' data describe the card. Common practice, no source.
const (
	AnchorLow  = 0.67
	AnchorHigh = 1.5
)

// Doubtful reports whether the card is so far from what the toners' data predict that the advice is a guess.
func (t Tint) Doubtful() bool { return t.AnchorLeast < AnchorLow || t.AnchorMost > AnchorHigh }

// gains is the ΔE00 that a toner must gain to be worth its pour where the limit cannot be met.
const gains = 0.1

// Tint returns the changes that bring the card to the target: those that meet the limit, and among them the fewest
// toners, the fewest that are neither in the cup nor preferred, the least paint, the smallest ΔE00, in this order.
// Where nothing meets it, the smallest ΔE00, without toners that gain less than 0.1.
//
// The prediction is anchored at the card: K/S of whatever the toners' data give is multiplied by K/S of the card over
// K/S predicted for it, wavelength by wavelength. Changes are whole divisions, checked as they will be poured, and half
// a division more or less of any of them must move the colour by at most a quarter of the limit.
//
// Where the scale is too coarse for the toners that the colour needs, they are not thinned with paint that it does not
// need: the answer is then Coarse, and a bigger batch or a finer scale the way out.
//
// Sets of toners are ranked by a straight line through K/S at the target and the best few hundred of each size worked
// out: a set that the straight line misjudges by far can be missed.
func (p *Palette) Tint(ask TintAsk) (Tint, error) {
	weights, err := p.lightsFor(ask.Lights, ask.Observer)
	if err != nil {
		return Tint{}, err
	}
	if ask.Target.Grid().Count == 0 {
		return Tint{}, errors.New("there is no target: give the spectrum of the colour to hit")
	}
	if ask.Card.Grid().Count == 0 {
		return Tint{}, errors.New("there is no card: spray one from the cup and measure it")
	}
	grams, err := ask.check(p)
	if err != nil {
		return Tint{}, err
	}
	card, err := p.ratio(ask.Card, "the card")
	if err != nil {
		return Tint{}, err
	}
	pivot, err := p.ratio(ask.Target, "the target")
	if err != nil {
		return Tint{}, err
	}
	targets, err := labTargets(ask.Target, ask.Lights, ask.Observer)
	if err != nil {
		return Tint{}, err
	}
	anchor := make([]float64, p.grid.Count)
	out := Tint{AnchorLeast: math.Inf(1)}
	for i := range anchor {
		k, s := 0.0, 0.0
		for t, g := range grams {
			k += g * p.k[t][i]
			s += g * p.s[t][i]
		}
		if k == 0 || s == 0 {
			return Tint{}, fmt.Errorf("at %g nm the toners in the cup do not absorb or do not scatter at all by their data, so the card cannot be compared with them: calibrate them again", p.grid.Wavelength(i))
		}
		anchor[i] = card[i] * s / k
		if !(anchor[i] > 0) || math.IsInf(anchor[i], 0) {
			return Tint{}, errOutOfRange
		}
		for _, w := range weights {
			if w.Factor(i).Y > carries*w.White().Y {
				out.AnchorLeast, out.AnchorMost = math.Min(out.AnchorLeast, anchor[i]), math.Max(out.AnchorMost, anchor[i])
			}
		}
	}
	t := newTinter(p.gauge(anchor, weights, targets), grams, pivot, ask)
	if math.IsNaN(t.before) || math.IsInf(t.before, 0) {
		return Tint{}, errOutOfRange
	}
	found := t.search()
	out.Before = t.before
	out.After, out.Meets, out.Coarse = found.e, found.fits(t.limit), found.coarse
	out.Change = make([]gram.Mass, len(grams))
	for _, m := range ask.In {
		out.Total += m
	}
	for j, toner := range found.toners {
		out.Change[toner] = gram.Mass(found.steps[j]) * ask.Division
		if out.Change[toner] < -ask.In[toner] { // the last, broken division of a toner taken out
			out.Change[toner] = -ask.In[toner]
		}
		out.Total += out.Change[toner]
	}
	return out, nil
}

// check refuses what no cup can be, and returns its grams.
func (ask TintAsk) check(p *Palette) ([]float64, error) {
	n := len(p.names)
	if len(ask.In) != n || (ask.Prefer != nil && len(ask.Prefer) != n) || (ask.Ready != nil && len(ask.Ready) != n) {
		return nil, fmt.Errorf("the cup, the preferred toners and the shelf need one entry for each of the %d toners", n)
	}
	var sum gram.Mass
	grams := make([]float64, n)
	for i, m := range ask.In {
		if m < 0 || m > gram.MaxMass {
			return nil, fmt.Errorf("the amount of %s is %s: it must be 0 or above", p.names[i], m)
		}
		sum += m
		grams[i] = m.Grams()
	}
	switch {
	case sum <= 0:
		return nil, errors.New("the cup is empty: give at least one toner an amount above 0")
	case !(ask.Limit > 0) || math.IsInf(ask.Limit, 0):
		return nil, fmt.Errorf("the limit is %g: it must be above 0, usually 0.3 to 1", ask.Limit)
	case ask.Division <= 0:
		return nil, fmt.Errorf("the scale's division is %s: it must be above 0", ask.Division)
	case ask.MostToners < 0 || ask.MostToners > maxSubset:
		return nil, fmt.Errorf("a tint of %d toners was asked for: choose 0 to %d", ask.MostToners, maxSubset)
	case ask.Room < 0 || ask.Room > gram.MaxMass:
		return nil, fmt.Errorf("the room in the cup is %s: it must be above 0", ask.Room)
	case ask.Room > 0 && ask.Room < sum:
		return nil, fmt.Errorf("the cup already holds %s, more than its room of %s: move it to a bigger cup first", sum, ask.Room)
	}
	return grams, nil
}

// ratio returns K/S of a measured paint that hides, on the palette's grid.
func (p *Palette) ratio(measured colour.Spectrum, what string) ([]float64, error) {
	within, err := p.within(measured, what)
	if err != nil {
		return nil, err
	}
	for i, r := range within {
		if r <= 0 {
			return nil, &GroundError{strings.TrimPrefix(what, "the "), fmt.Sprintf("%s at %g nm shows no light from within the paint: use a smaller k1, or say that gloss was excluded", what, p.grid.Wavelength(i))}
		}
		// A reading of a perfect white has no K/S; it is taken as the whitest that can be told from it.
		r = math.Min(r, 1-1e-6)
		within[i] = (1 - r) * (1 - r) / (2 * r)
	}
	return within, nil
}
