package gram

import (
	"fmt"
	"math"
	"slices"
)

// PlanStep is one pour of the paper plan.
type PlanStep struct {
	Mass    Mass // this pour, to the milligram; the steps sum to the batch
	Running Mass // everything so far, to the milligram
	Reading Mass // the running total as the display would show it, the cup not counted
	Net     Mass // this pour as the display would show it alone; the steps sum to the last Reading
	// WeighingPercent is what one division is worth of this pour, in per cent: 100·d/grams.
	WeighingPercent float64
}

// Plan returns the paper plan of a batch: weights of the formula (all above 0), the batch's total,
// the scale, and what the empty cup weighs on it (0 where it is tared away).
//
// Readings are rounded each on its own, from the exact running total, to the division of the range that the gross
// reading (cup included) is in, so error never piles up. Nets are rounded each on its own to the division of their
// range; the largest component takes the leftover, so that the parts sum and a small toner is never pushed off its
// value. Where that would leave the largest below 0 (a batch of hardly a division a pour) the nets are shared out by
// largest remainder in divisions instead.
func Plan(weights []Mass, total Mass, b Balance, cupEmpty Mass) ([]PlanStep, error) {
	s, err := sum(weights)
	if err != nil {
		return nil, err
	}
	if err := checkTotal(total); err != nil {
		return nil, err
	}
	if err := b.check(); err != nil {
		return nil, err
	}
	if cupEmpty < 0 || cupEmpty > MaxMass {
		return nil, fmt.Errorf("gram: the empty cup cannot weigh %v; enter what the scale shows with the empty cup on", cupEmpty)
	}
	steps := make([]PlanStep, len(weights))
	var cum, last, nets Mass
	largest := 0
	for i, w := range weights {
		if w == 0 {
			return nil, &WeightError{i, "is 0; leave the component out"}
		}
		cum += w
		exact := mulDiv(cum, total, s)
		d := b.At(cupEmpty + exact.whole)
		own := mulDiv(w, total, s)
		running := exact.round(1)
		steps[i] = PlanStep{
			Mass:            running - last,
			Running:         running,
			Reading:         exact.round(d),
			Net:             own.round(d),
			WeighingPercent: 100 * float64(d) * float64(s) / (float64(w) * float64(total)),
		}
		last = running
		nets += steps[i].Net
		if w > weights[largest] {
			largest = i
		}
	}
	end := steps[len(steps)-1].Reading
	if left := end - nets; steps[largest].Net+left >= 0 {
		steps[largest].Net += left
		return steps, nil
	}
	shares := make([]float64, len(weights))
	for i, w := range weights {
		shares[i] = float64(w)
	}
	d := b.At(cupEmpty)
	for i, n := range SplitLargest(shares, end/d) {
		steps[i].Net = n * d
	}
	steps[largest].Net += end % d
	return steps, nil
}

func (b Balance) check() error {
	switch {
	case b.Division <= 0:
		return fmt.Errorf("gram: the scale has no division; enter the smallest step of its display")
	case b.HighFrom < 0:
		return fmt.Errorf("gram: the scale's second range cannot begin below 0")
	case b.HighFrom > 0 && b.HighDivision < b.Division:
		return fmt.Errorf("gram: the division of the scale's second range is finer than that of its first; check which is which")
	}
	return nil
}

// honest is the batch at which one division is tolerance of a share, to the milligram: d/(τ·w).
func honest(share float64, division Mass, tolerance float64) Mass {
	t := float64(division) / (tolerance * share)
	if !(t < float64(math.MaxInt64/2)) {
		return math.MaxInt64 / 2
	}
	return nearest(t)
}

// SmallestBatch returns the smallest honest batch, d/(τ·min w) to the milligram, and which component limits it:
// from there on one division of the scale is no more than tolerance (0.2 is 20 %) of any pour.
// Fractions are those of the package function, all above 0; tolerance is above 0. No fractions give 0 and -1.
func SmallestBatch(fractions []float64, division Mass, tolerance float64) (batch Mass, limiting int) {
	limiting = -1
	for i, w := range fractions {
		if limiting < 0 || w < fractions[limiting] {
			limiting = i
		}
	}
	if limiting < 0 {
		return 0, -1
	}
	return honest(fractions[limiting], division, tolerance), limiting
}

// Range is a set of batch sizes that can be weighed, both ends included. To 0 means without end.
type Range struct{ From, To Mass }

// Has reports whether a batch of total is in r.
func (r Range) Has(total Mass) bool { return total >= r.From && (r.To == 0 || total <= r.To) }

// Weighable returns every batch size, in milligrams, at which no pour has a division worth more than
// tolerance (0.2 is 20 %) of it, smallest first. Weights are the formula's, in the order of pouring, all above 0.
//
// With one range that is everything from SmallestBatch on. With two, a pour counts in the division of the range that its
// gross reading (cup included) falls in. As the batch grows the later readings cross into the coarse range first, and at
// each crossing one more pour needs a bigger batch; so the sizes can fall into several ranges, one between any two
// crossings at most. What the scale can carry (Max), where known, ends the last. There are none for what Plan refuses.
func Weighable(weights []Mass, b Balance, cupEmpty Mass, tolerance float64) []Range {
	s, err := sum(weights)
	if err != nil || b.check() != nil || !(tolerance > 0) || slices.Contains(weights, 0) {
		return nil
	}
	end := Mass(0) // the largest batch, 0 for none
	if b.Max > 0 {
		if end = b.Max - cupEmpty; end <= 0 {
			return nil
		}
	}
	low, high := Mass(0), Mass(0) // what the pours of the fine and of the coarse range need
	for _, w := range weights {
		low = max(low, honest(float64(w)/float64(s), b.Division, tolerance))
	}
	if b.HighFrom <= 0 {
		return appendRange(nil, low, 0, end)
	}
	// Segment k: the readings before pour k are in the fine range, those from k on in the coarse one.
	// It begins where reading k crosses and ends just before reading k-1 does. Reading k crosses at the first batch whose
	// running total w_1+…+w_k has reached room, so crossings fall as k grows.
	room := b.HighFrom - cupEmpty
	n := len(weights)
	need := make([]Mass, 2*n+1)
	lowNeed, from := need[:n+1], need[n+1:]
	cum := Mass(0)
	for k, w := range weights {
		lowNeed[k+1] = max(lowNeed[k], honest(float64(w)/float64(s), b.Division, tolerance))
		cum += w
		from[k] = crossing(cum, room, s)
	}
	var out []Range
	for k := n; k >= 0; k-- {
		begin, to := Mass(1), Mass(0)
		if k < n {
			begin = from[k]
			high = max(high, honest(float64(weights[k])/float64(s), b.HighDivision, tolerance))
		}
		if k > 0 {
			if to = from[k-1] - 1; to < 1 {
				continue // even the smallest batch is past this crossing
			}
		}
		out = appendRange(out, max(begin, lowNeed[k], high), to, end)
	}
	return out
}

// crossing is the smallest batch whose running total cum/s of it reaches room: ceil(room·s/cum), at least 1.
func crossing(cum, room, s Mass) Mass {
	if room <= 0 {
		return 1
	}
	if float64(room)*float64(s)/float64(cum) > float64(math.MaxInt64/4) {
		return math.MaxInt64 / 4
	}
	// cum ≤ s, so room·s/cum = the exact quotient by whole part and remainder in 128 bits.
	r := mulDiv(s, room, cum)
	if r.rest > 0 {
		return r.whole + 1
	}
	return max(r.whole, 1)
}

// appendRange adds [from, to] cut off at end, joined to the last range where nothing lies between.
func appendRange(out []Range, from, to, end Mass) []Range {
	from = max(from, 1)
	if from > MaxMass {
		return out // no batch is that large
	}
	if to > MaxMass {
		to = 0
	}
	if end > 0 && (to == 0 || to > end) {
		to = end
	}
	if to != 0 && from > to {
		return out
	}
	if last := len(out) - 1; last >= 0 && out[last].To != 0 && out[last].To+1 >= from {
		out[last].To = to
		return out
	}
	return append(out, Range{from, to})
}

// NextWeighable returns the smallest batch of at least total that is in one of the ranges; ok is false if there is none.
// It is what "mix more" jumps to.
func NextWeighable(ranges []Range, total Mass) (next Mass, ok bool) {
	for _, r := range ranges {
		if total <= r.From {
			return r.From, true
		}
		if r.Has(total) {
			return total, true
		}
	}
	return 0, false
}

// Stop returns the reading to stop at: the settled reading now plus this pour's own grams, rounded once.
// Both readings are gross, cup included, so that a scale with two ranges rounds as its display will.
// Going on from the settled reading keeps what an earlier toner has too much from starving the next.
func Stop(settled Mass, aim Mass, b Balance) Mass {
	stop := settled + aim
	return stop.Round(b.At(stop))
}

// CutToner returns what x of a pure toner becomes when it is weighed as a cut toner of a strength between 0 and 1 in a
// base: x/s of cut toner, and x(1−s)/s less of that base. Where the formula has less of the base than that
// (baseHas), the colour cannot be reached this way and an error says so.
func CutToner(x Mass, strength float64, baseHas Mass) (cut Mass, lessBase Mass, err error) {
	if !(strength > 0 && strength < 1) {
		return 0, 0, fmt.Errorf("gram: a cut toner's strength is between 0 and 1, not %v; 0.1 means one part in ten", strength)
	}
	if x <= 0 {
		return 0, 0, fmt.Errorf("gram: there is no toner to replace; choose a pour above 0 g")
	}
	grams := x.Grams() / strength
	if grams > MaxMass.Grams() {
		return 0, 0, fmt.Errorf("gram: a cut that weak would weigh more than a tonne; use a stronger one")
	}
	cut = Of(grams)
	lessBase = cut - x
	if lessBase > baseHas {
		return 0, 0, fmt.Errorf("gram: the cut toner brings %v of base and the formula has only %v; use a stronger cut or mix more", lessBase, baseHas)
	}
	return cut, lessBase, nil
}
