package pigment

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"pourbook/internal/colour"
)

// Swatches is a list of colours to be searched for the closest. It is made by NewSwatches and never changes.
type Swatches struct {
	labs   []colour.Lab
	chroma []float64
}

// Near is one colour of a list: its place, counted from 0, and how far it lies from what was asked for.
type Near struct {
	At     int
	DeltaE float64
}

// NewSwatches makes a list ready for searching. A colour that is not Valid is an error that names its place.
func NewSwatches(labs []colour.Lab) (*Swatches, error) {
	s := &Swatches{slices.Clone(labs), make([]float64, len(labs))}
	for i, lab := range labs {
		if err := lab.Valid(); err != nil {
			return nil, fmt.Errorf("colour %d of the list: %w", i+1, err)
		}
		s.chroma[i] = lab.Chroma()
	}
	return s, nil
}

// Closest returns the n colours of least ΔE00 from the target, the closest first, of two alike the earlier in the list;
// all of them where there are fewer. It is exact: ΔE00 itself is computed wherever a bound below it does not already
// say that a colour is too far.
func (s *Swatches) Closest(target colour.Lab, n int) ([]Near, error) {
	if err := target.Valid(); err != nil {
		return nil, err
	}
	if n < 1 {
		return nil, errors.New("no colour was asked for: ask for at least one")
	}
	n = min(n, len(s.labs))
	best := make([]Near, 0, n+1)
	put := func(list []Near, x Near) []Near {
		at, _ := slices.BinarySearchFunc(list, x, func(a, b Near) int {
			return cmp.Or(cmp.Compare(a.DeltaE, b.DeltaE), cmp.Compare(a.At, b.At))
		})
		if at >= n {
			return list
		}
		list = slices.Insert(list, at, x)
		return list[:min(n, len(list))]
	}
	// The bounds first; the n lowest are worked out, and then whatever is not ruled out by them.
	bounds := make([]float64, len(s.labs))
	b := boundFrom(target)
	lowest := make([]Near, 0, n+1)
	for i, lab := range s.labs {
		bounds[i] = b.below(lab, s.chroma[i])
		if len(lowest) < n || bounds[i] < lowest[n-1].DeltaE {
			lowest = put(lowest, Near{i, bounds[i]})
		}
	}
	limit := 0.0 // the n-th distance cannot be above this
	for _, x := range lowest {
		limit = math.Max(limit, colour.DeltaE2000(target, s.labs[x.At]))
	}
	for i, lab := range s.labs {
		if bounds[i] > limit {
			continue
		}
		if d := colour.DeltaE2000(target, lab); d <= limit {
			if best = put(best, Near{i, d}); len(best) == n {
				limit = best[n-1].DeltaE
			}
		}
	}
	return best, nil
}

// bound gives what ΔE00 cannot be below, for a hundredth of its work.
//
// With the names of CIEDE2000: the lightness term is exact. Of c = ΔC'/SC and h = ΔH'/SH,
// c² + h² + RT c h ≥ (1 - |RT|/2)(c² + h²), and as SH ≤ SC (T is at most 1.93, so 0.015 T < 0.045), c² + h² is at least
// (ΔC'² + ΔH'²)/SC² = (Δa'² + Δb²)/SC² with |Δa'| ≥ |Δa|, and SC ≤ 1 + 0.045·1.5 C̄ since a' is at most 1.5 a.
// |RT|/2 is at most sin 60° times √(C̄'⁷/(C̄'⁷+25⁷)), and next to nothing where both colours are above the blue half
// (b ≥ 0: the mean hue is then 95° or more from 275°).
type bound struct {
	lab    colour.Lab
	chroma float64
	turn   [302]float64 // 1 - |RT|/2 at most, by whole mean chroma rounded up
}

func boundFrom(lab colour.Lab) *bound {
	b := &bound{lab: lab, chroma: lab.Chroma()}
	for i := range b.turn {
		c7 := math.Pow(1.5*float64(i), 7)
		b.turn[i] = 1 - math.Sin(math.Pi/3)*math.Sqrt(c7/(c7+math.Pow(25, 7)))
	}
	return b
}

func (b *bound) below(lab colour.Lab, chroma float64) float64 {
	dl, da, db := lab.L-b.lab.L, lab.A-b.lab.A, lab.B-b.lab.B
	l50 := (lab.L+b.lab.L)/2 - 50
	l50 *= l50
	l := dl / (1 + 0.015*l50/math.Sqrt(20+l50))
	mean := (chroma + b.chroma) / 2
	turn := 1 - 1e-6
	if lab.B < 0 || b.lab.B < 0 {
		turn = b.turn[int(mean)+1]
	}
	sc := 1 + 0.0675*mean
	return math.Sqrt(l*l+turn*(da*da+db*db)/(sc*sc)) * (1 - 1e-9) // less what rounding may add
}
