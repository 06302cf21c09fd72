package gram

import (
	"fmt"
	"math"
)

// The weight-only algebra of a cup in which too much of something was poured. Throughout:
// wanted are the shares of the formula (summing to 1; 0 for a foreign component that does not belong in it),
// poured is what is in the cup of each, total is the batch that was wanted, and add is what is to be added,
// never below 0, one entry a component in the same order.

// ForeignError says that a component with no share in the formula is in the cup, so no rebalance can be exact.
type ForeignError struct {
	Index  int // counted from 0
	Poured Mass
}

func (e *ForeignError) Error() string {
	return fmt.Sprintf("gram: component %d is not in the formula and %v of it is in the cup; it can be thinned out but not balanced", e.Index+1, e.Poured)
}

// Exact scales the rest up until every ratio of the formula is restored: T' = max(T, max P_i/w_i), a_i = w_i T' − P_i.
// T' is rounded up to the milligram and the lines sum to it. governs is the component whose overshoot sets T',
// -1 where none does (then newTotal is total). Less than a milligram above a share is the rounding of a planned line, no
// overshoot: of a toner that is a thousandth of the cup it would otherwise cost a gram of batch.
//
// Where a foreign component is in the cup, or the input makes no sense, add is nil; ExactChecked says why.
func Exact(wanted []float64, poured []Mass, total Mass) (newTotal Mass, add []Mass, governs int) {
	newTotal, add, governs, err := ExactChecked(wanted, poured, total)
	if err != nil {
		return 0, nil, -1
	}
	return newTotal, add, governs
}

// ExactChecked is Exact with the reason where there is no answer: a *ForeignError, or a sentence about the input.
func ExactChecked(wanted []float64, poured []Mass, total Mass) (newTotal Mass, add []Mass, governs int, err error) {
	in, err := checkCup(wanted, poured)
	if err != nil {
		return 0, nil, -1, err
	}
	if total < 0 || total > MaxMass || total == 0 && in == 0 {
		return 0, nil, -1, fmt.Errorf("gram: the batch cannot weigh %v; enter what was wanted", total)
	}
	governs = -1
	most := float64(total)
	for i, p := range poured {
		if p == 0 {
			continue
		}
		if wanted[i] == 0 {
			return 0, nil, -1, &ForeignError{i, p}
		}
		if float64(p) < wanted[i]*float64(total)+1 {
			continue
		}
		if t := float64(p) / wanted[i]; t > most {
			most, governs = t, i
		}
	}
	if governs < 0 {
		newTotal = max(total, in)
		return newTotal, addUp(wanted, poured, newTotal), -1, nil
	}
	if most > float64(MaxMass) {
		return 0, nil, -1, fmt.Errorf("gram: putting that right would take more than a tonne; start again")
	}
	newTotal = max(up(most), in)
	return newTotal, addUp(wanted, poured, newTotal), governs, nil
}

// up rounds to the next whole milligram, but not for the last bit of a float64.
func up(mg float64) Mass { return Mass(math.Ceil(mg - exactSlack*(1+math.Abs(mg)))) }

// addUp returns the additions that bring poured to wanted shares of total, where total allows it to the milligram.
func addUp(wanted []float64, poured []Mass, total Mass) []Mass {
	x := SplitLargest(wanted, total)
	lift(x, poured)
	for i, p := range poured {
		x[i] -= p
	}
	return x
}

// lift raises each line of x to at least its floor and takes what that costs from the lines with most above theirs,
// so that the sum stays. It is for the odd milligram of rounding; where the floors sum to more, x becomes the floors.
func lift(x, floor []Mass) {
	var owed Mass
	for i := range x {
		if x[i] < floor[i] {
			owed += floor[i] - x[i]
			x[i] = floor[i]
		}
	}
	for owed > 0 {
		best := -1
		for i := range x {
			if best < 0 || x[i]-floor[i] > x[best]-floor[best] {
				best = i
			}
		}
		if x[best] <= floor[best] {
			return
		}
		x[best]--
		owed--
	}
}

// checkCup refuses lists that do not belong together and returns what is in the cup.
func checkCup(wanted []float64, poured []Mass) (Mass, error) {
	if len(wanted) == 0 {
		return 0, fmt.Errorf("gram: there are no components; enter at least one")
	}
	if len(wanted) != len(poured) {
		return 0, fmt.Errorf("gram: there are %d shares and %d pours; give one pour a share, 0 where nothing went in", len(wanted), len(poured))
	}
	var in Mass
	whole := 0.0
	for i, p := range poured {
		if !(wanted[i] >= 0) || wanted[i] > 1+1e-9 {
			return 0, &WeightError{i, fmt.Sprintf("has a share of %v; a share is between 0 and 1", wanted[i])}
		}
		if p < 0 || p > MaxMass || in > MaxMass-p {
			return 0, &WeightError{i, fmt.Sprintf("cannot be %v in the cup", p)}
		}
		in += p
		whole += wanted[i]
	}
	if math.Abs(whole-1) > 1e-6 {
		return 0, fmt.Errorf("gram: the shares sum to %v; they must sum to 1", whole)
	}
	return in, nil
}

// FitCup fills the cup to room as close to the formula as it goes: x_i = max(P_i, κ w_i M) with κ such that Σx = M,
// M = room, which minimises Σ(x_i/M − w_i)²/w_i. The caller passes min(room, T') of Exact, since beyond T' paint buys
// nothing. A cup that already holds room or more gets nothing. Foreign components stay as they are.
func FitCup(wanted []float64, poured []Mass, room Mass) (add []Mass) {
	add = make([]Mass, len(wanted))
	if _, err := checkCup(wanted, poured); err != nil {
		return add
	}
	left := room - Sum(poured)
	if left <= 0 {
		return add
	}
	// Components that keep what is in the cup are fixed; each one that is fixed takes more than its share, so κ falls and
	// others may follow. No component ever comes back, so this ends within as many rounds as there are components.
	fixed := make([]bool, len(wanted))
	var kappa float64 // κ·M in milligrams
	for again := true; again; {
		again = false
		free, share := room, 0.0
		for i, w := range wanted {
			if w == 0 {
				fixed[i] = true
			}
			if fixed[i] {
				free -= poured[i]
			} else {
				share += w
			}
		}
		kappa = float64(free) / share
		for i, w := range wanted {
			if !fixed[i] && float64(poured[i]) > kappa*w {
				fixed[i], again = true, true
			}
		}
	}
	shares := make([]float64, len(wanted))
	floor := make([]Mass, len(wanted))
	free := room
	for i, w := range wanted {
		if fixed[i] {
			free -= poured[i]
			continue
		}
		shares[i], floor[i] = w, poured[i]
	}
	x := SplitLargest(shares, free)
	lift(x, floor)
	for i := range add {
		add[i] = x[i] - floor[i]
	}
	return add
}

// PourOff is for a stirred cup: the same share of everything is taken off until the rest can be balanced within total.
// The factor is T / max(P_i/w_i); what is kept is shared out to the milligram by largest remainder, then topped up
// exactly to total. Where no component is over, nothing is discarded. A foreign component is a *ForeignError:
// its share does not change by pouring off.
func PourOff(wanted []float64, poured []Mass, total Mass) (discard Mass, kept []Mass, add []Mass, err error) {
	in, err := checkCup(wanted, poured)
	if err != nil {
		return 0, nil, nil, err
	}
	if err := checkTotal(total); err != nil {
		return 0, nil, nil, err
	}
	newTotal, add, governs, err := ExactChecked(wanted, poured, total)
	if err != nil {
		return 0, nil, nil, err
	}
	kept = make([]Mass, len(poured))
	copy(kept, poured)
	if governs < 0 || newTotal <= total {
		return 0, kept, add, nil
	}
	factor := float64(total) * wanted[governs] / float64(poured[governs])
	shares := make([]float64, len(poured))
	for i, p := range poured {
		shares[i] = float64(p)
	}
	kept = SplitLargest(shares, nearest(factor*float64(in)))
	return in - Sum(kept), kept, addUp(wanted, kept, total), nil
}

// WorstRelative returns the largest |share/wanted share − 1| of any component of the formula in a cup holding x.
// An empty cup is 1 off: all of it is missing. Foreign components count through ForeignShare.
func WorstRelative(wanted []float64, x []Mass) float64 {
	m := float64(Sum(x))
	worst := 0.0
	for i, w := range wanted {
		if w <= 0 {
			continue
		}
		if m == 0 {
			return 1
		}
		worst = max(worst, math.Abs(float64(x[i])/(w*m)-1))
	}
	return worst
}

// ForeignShare returns the share of a cup holding x that has no place in the formula (wanted share 0).
func ForeignShare(wanted []float64, x []Mass) float64 {
	var foreign, m Mass
	for i, w := range wanted {
		m += x[i]
		if w <= 0 {
			foreign += x[i]
		}
	}
	if m == 0 {
		return 0
	}
	return float64(foreign) / float64(m)
}

// RoundAdds rounds every addition to the division on its own, halves up. What becomes of the cup is to be
// evaluated afterwards, from the rounded figures.
func RoundAdds(add []Mass, division Mass) []Mass {
	out := make([]Mass, len(add))
	for i, a := range add {
		out[i] = a.Round(division)
	}
	return out
}

// FloorCeil rounds every addition down or up to the division so that score is as low as it gets by changing one or two
// additions at a time, starting from the nearest. score sees whole divisions only and must not keep the slice.
func FloorCeil(add []Mass, division Mass, score func([]Mass) float64) []Mass {
	out := RoundAdds(add, division)
	division = max(division, 1)
	// other is the second candidate of an addition: the ceiling where it stands on the floor, and the reverse.
	other := func(i int) Mass {
		floor := add[i] / division * division
		if out[i] == floor && add[i] > floor {
			return floor + division
		}
		return floor
	}
	best := score(out)
	try := func(i, j int) bool {
		a, b := out[i], out[j]
		out[i] = other(i)
		if j != i {
			out[j] = other(j)
		}
		if s := score(out); s < best {
			best = s
			return true
		}
		out[i], out[j] = a, b
		return false
	}
	for improved := true; improved; {
		improved = false
		for i := range out {
			improved = try(i, i) || improved
		}
		for i := range out {
			for j := i + 1; j < len(out); j++ {
				improved = try(i, j) || improved
			}
		}
	}
	return out
}
