package pour

import (
	"math"

	"pourbook/internal/gram"
)

// ToleranceIn returns how much too much of a toner the open cup can take, in whole milligrams: the largest excess beyond
// what its open step brings of it, with which the best completion stays within limit (ΔE00) of the formula and
// needs no more paint than was wanted. The toners still to come count as free, those in the cup as they are. It has to
// be asked again after every pour: tolerances that do not know of each other would spend the limit once each.
// Zero means that the cup stands beyond the limit already, or that the toner is not one of the formula's own. No step
// of a display is counted in: a pour can only be judged in whole divisions.
func (s State) ToleranceIn(colour Colour, limit float64, key Key) gram.Mass {
	if colour == nil || s.Plan.Total == 0 || s.Ended() || s.Reduced != nil {
		return 0
	}
	v := newView(s, Shop{Limit: limit}, colour)
	if v == nil {
		return 0
	}
	i := v.index(key)
	if i < 0 || v.wanted[i] <= 0 {
		return 0
	}
	n, ok := v.newNear()
	if !ok {
		return 0
	}
	due := v.come[i]
	if len(s.Todo) > 0 && s.Todo[0].Key == key {
		due = s.Todo[0].Aim
	}
	for j := range v.come {
		n.shut[j] = n.shut[j] || v.come[j] == 0 || j == i && v.come[i] <= due
	}
	goal := max(v.goal, v.whole).Grams()
	meets := func(over float64) bool {
		n.in[i] = (v.in[i] + due).Grams() + over
		x, d := n.best(max(goal, sumOf(n.in)))
		return len(x) > 0 && d <= limit
	}
	if !meets(0) {
		return 0
	}
	low, high := 0.0, max(due, v.d).Grams()
	for meets(high) {
		low, high = high, 2*high
		if high > mostCups*goal {
			return gram.Of(low)
		}
	}
	for high-low > gram.Mass(1).Grams()/2 && high-low > 1e-3*high {
		if mid := (low + high) / 2; meets(mid) {
			low = mid
		} else {
			high = mid
		}
	}
	return gram.Mass(low * float64(gram.Gram))
}

// Watched returns steps that are looked at as soon as the display shows too much: their tolerance is half a division,
// what rounding alone makes. It is for cups with colour data. There Choices weighs every excess against the colour of
// the whole cup and carries on where nobody will see it, so that no toner has a tolerance of its own to spend.
func Watched(steps []Step, b gram.Balance, gross gram.Mass) []Step {
	out := make([]Step, len(steps))
	for i, step := range steps {
		step.Tolerance = (b.At(gross) + 1) / 2
		out[i] = step
	}
	return out
}

// What decisions leave of a limit: rounding errors of so many standard deviations fit beside them, and never less than
// two fifths of the limit nor more than three quarters are used. Common practice, no source.
const (
	roundingDeviations = 2.5
	leastOfLimit       = 0.4
	mostOfLimit        = 0.75
)

// LimitIn returns what a shop's limit (ΔE00) leaves for decisions about this cup, once room is kept for what no program
// can see: a pour is known from two readings, each rounded to the display, so its grams are off by a division over √6,
// one standard deviation. Where that is more than three fifths of the limit the scale cannot promise the limit: then two
// fifths are returned, and Hides reports it.
func (p Planned) LimitIn(colour Colour, limit float64) float64 {
	if colour == nil {
		return limit
	}
	x := make([]float64, 0, len(p.Components))
	for _, c := range p.Components {
		if c.Colour() {
			x = append(x, c.Goal.Grams())
		}
	}
	off := p.Balance.At(p.Cup.Empty+p.Total).Grams() / math.Sqrt(6)
	still, _ := colour.Distance(x)
	sum := 0.0
	for i := range x {
		was := x[i]
		x[i] += off
		d, _ := colour.Distance(x)
		x[i] = was
		sum += (d - still) * (d - still)
	}
	left := limit - roundingDeviations*math.Sqrt(sum) // they may all point one way
	if math.IsNaN(left) {
		return leastOfLimit * limit
	}
	return min(max(left, leastOfLimit*limit), mostOfLimit*limit)
}

// Hides reports whether what this scale rounds away alone can use up most of a limit (ΔE00), so that the batch is too
// small for it by colour, whatever its smallest pour.
func (p Planned) Hides(colour Colour, limit float64) bool {
	return colour != nil && p.LimitIn(colour, limit) <= leastOfLimit*limit
}
