package gram

import (
	"cmp"
	"fmt"
	"math"
	"math/bits"
	"slices"
)

// WeightError says which weight of a list cannot be used, and why.
type WeightError struct {
	Index  int // counted from 0
	Reason string
}

func (e *WeightError) Error() string {
	return fmt.Sprintf("gram: weight %d %s", e.Index+1, e.Reason)
}

// DensityError says which component's density is missing or impossible, so that no volume can be worked out.
type DensityError struct {
	Index  int // counted from 0
	Reason string
}

func (e *DensityError) Error() string {
	return fmt.Sprintf("gram: component %d: %s", e.Index+1, e.Reason)
}

// sum adds up weights, refusing what cannot be a formula: none, a negative one, all zero, over MaxMass.
func sum(weights []Mass) (Mass, error) {
	if len(weights) == 0 {
		return 0, fmt.Errorf("gram: there are no weights; enter at least one component")
	}
	var s Mass
	for i, w := range weights {
		if w < 0 {
			return 0, &WeightError{i, "is below 0; enter what goes in, never what comes out"}
		}
		if w > MaxMass || s > MaxMass-w {
			return 0, &WeightError{i, "takes the sum above a tonne; use smaller weights in the same ratio"}
		}
		s += w
	}
	if s == 0 {
		return 0, fmt.Errorf("gram: every weight is 0; enter at least one component")
	}
	return s, nil
}

// Sum adds up masses without looking at them.
func Sum(masses []Mass) Mass {
	var s Mass
	for _, m := range masses {
		s += m
	}
	return s
}

// Fractions returns each weight's share of the sum: w_i = m_i / Σm.
// A weight may be 0; a negative one, an empty list, and a sum of 0 or above MaxMass are errors.
func Fractions(weights []Mass) ([]float64, error) {
	s, err := sum(weights)
	if err != nil {
		return nil, err
	}
	out := make([]float64, len(weights))
	for i, w := range weights {
		out[i] = float64(w) / float64(s)
	}
	return out, nil
}

// Resize returns the weights of a formula for another total, to the milligram.
// Each line is the difference of two running totals, both rounded from exact whole-number arithmetic (halves up),
// so the lines sum to total and no error piles up.
func Resize(weights []Mass, total Mass) ([]Mass, error) {
	s, err := sum(weights)
	if err != nil {
		return nil, err
	}
	if err := checkTotal(total); err != nil {
		return nil, err
	}
	out := make([]Mass, len(weights))
	var cum, last Mass
	for i, w := range weights {
		cum += w
		running := mulDiv(cum, total, s).round(1)
		out[i], last = running-last, running
	}
	return out, nil
}

func checkTotal(total Mass) error {
	switch {
	case total <= 0:
		return fmt.Errorf("gram: the batch must weigh more than 0, not %v", total)
	case total > MaxMass:
		return fmt.Errorf("gram: the batch is more than a tonne; ask for less")
	}
	return nil
}

// ratio is an exact non-negative number of milligrams: whole + rest/of, with 0 ≤ rest < of.
type ratio struct {
	whole    Mass
	rest, of uint64
}

// mulDiv returns a·b/c exactly. a ≤ c, so the whole part is at most b.
func mulDiv(a, b, c Mass) ratio {
	hi, lo := bits.Mul64(uint64(a), uint64(b))
	q, r := bits.Div64(hi, lo, uint64(c))
	return ratio{Mass(q), r, uint64(c)}
}

// round returns the multiple of division nearest to r, halves up, rounded once from the exact value.
func (r ratio) round(division Mass) Mass {
	division = max(division, 1)
	base := r.whole / division * division
	over := 2 * (r.whole - base) // twice what is above base, rest aside
	if over >= division || (over+1 == division && 2*r.rest >= r.of) {
		return base + division
	}
	return base
}

// Split shares total out as differences of rounded running totals, so the lines sum to total to the milligram.
// Shares are those of Fractions, or any others that are 0 or more with a sum above 0: only their ratio counts.
func Split(shares []float64, total Mass) []Mass {
	out := make([]Mass, len(shares))
	splitInto(out, shares, total)
	return out
}

func splitInto(out []Mass, shares []float64, total Mass) {
	whole := 0.0
	for _, s := range shares {
		whole += s
	}
	if !(whole > 0) || total <= 0 {
		return // nothing to share out
	}
	cum, last := 0.0, Mass(0)
	for i, s := range shares {
		cum += s // added in the same order as whole, so the last running total is exactly total
		running := nearest(cum / whole * float64(total))
		out[i], last = running-last, running
	}
}

// SplitLargest shares total out by largest remainder: every line is its exact share rounded down or up,
// whatever the order of the components. Ties go to the earlier one. Shares as in Split.
func SplitLargest(shares []float64, total Mass) []Mass {
	whole := 0.0
	for _, s := range shares {
		whole += s
	}
	out := make([]Mass, len(shares))
	if !(whole > 0) || total <= 0 {
		return out
	}
	rest := make([]float64, len(shares))
	left := total
	for i, s := range shares {
		exact := s / whole * float64(total)
		// A share that is whole but for the last bit of a float64 must not lose a milligram.
		floor := math.Floor(exact + exactSlack*(1+math.Abs(exact)))
		out[i], rest[i] = Mass(floor), exact-floor
		left -= out[i]
	}
	giveRemainders(out, rest, left)
	return out
}

// exactSlack is a few units in the last place of a float64: below it a difference is rounding, not paint.
const exactSlack = 1e-13

// giveRemainders adds left milligrams, one each, to the lines with the largest rests (or takes them from the smallest).
func giveRemainders(out []Mass, rest []float64, left Mass) {
	if left == 0 || len(out) == 0 {
		return
	}
	order := make([]int, len(out))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(rest[b], rest[a]) })
	for k := 0; left > 0; k++ {
		out[order[k%len(order)]]++
		left--
	}
	for k := len(order) - 1; left < 0; k-- {
		if k < 0 {
			k = len(order) - 1
		}
		if out[order[k]] > 0 {
			out[order[k]]--
			left++
		}
	}
}

// Density returns the density of a mix in g/ml, volumes taken as additive: ρ = Σm / Σ(m_i/ρ_i).
// Densities are in g/ml, one a weight; a missing one (0) is a *DensityError, unless its weight is 0.
func Density(weights []Mass, densities []float64) (float64, error) {
	s, err := sum(weights)
	if err != nil {
		return 0, err
	}
	if len(densities) != len(weights) {
		return 0, fmt.Errorf("gram: there are %d weights and %d densities; give one density a weight", len(weights), len(densities))
	}
	volume := 0.0
	for i, w := range weights {
		if w == 0 {
			continue
		}
		if err := checkDensity(densities[i]); err != nil {
			return 0, &DensityError{i, err.Error()}
		}
		volume += float64(w) / densities[i]
	}
	density := float64(s) / volume
	if err := checkDensity(density); err != nil {
		return 0, fmt.Errorf("gram: the densities give no density for the mix: %w", err)
	}
	return density, nil
}
