// Package gram holds the arithmetic of weighing paint: masses, units, resizing a formula,
// what a scale can show, what an overshoot costs and how a reduction is weighed.
//
// It promises that masses are whole milligrams, that the lines of a resized formula sum to the batch
// to the milligram, and that nothing here reads a clock, a file or a setting.
// It knows weights only: toners, names and choices belong to the packages above it.
//
// Start at Mass, then Resize (resize.go), Plan (plan.go), Exact (overshoot.go), LeastTopUp (topup.go)
// and ReduceByRatio (reduction.go).
package gram

import (
	"fmt"
	"math"
	"strconv"
)

// Mass counts whole milligrams.
type Mass int64

// The masses that are written out in code.
const (
	Milligram Mass = 1
	Gram      Mass = 1000
	Kilogram  Mass = 1_000_000
)

// MaxMass is the most that any batch, pour or reading may weigh: a tonne.
// It keeps every sum of a few hundred masses far from overflow.
const MaxMass = 1000 * Kilogram

// FromGrams returns the mass nearest to g grams, halves away from zero.
// A g that is not a number, or is beyond MaxMass either way, returns an error.
func FromGrams(g float64) (Mass, error) {
	if math.IsNaN(g) || math.Abs(g) > MaxMass.Grams() {
		return 0, fmt.Errorf("gram: %v g is not a mass that can be weighed", g)
	}
	return nearest(g * float64(Gram)), nil
}

// Of returns the mass nearest to g grams for a g that is known to be sane, such as a constant or a share of a Mass.
func Of(g float64) Mass { return nearest(g * float64(Gram)) }

func nearest(mg float64) Mass { return Mass(math.Round(mg)) }

// Grams returns m in grams.
func (m Mass) Grams() float64 { return float64(m) / float64(Gram) }

// Abs returns the size of m without its sign.
func (m Mass) Abs() Mass {
	if m < 0 {
		return -m
	}
	return m
}

// Round returns the multiple of division nearest to m, halves away from zero.
// A division of 0 or less means milligrams, so m comes back as it is.
func (m Mass) Round(division Mass) Mass {
	if division <= 0 {
		return m
	}
	half := division / 2
	if m < 0 {
		return -((-m + half) / division * division)
	}
	return (m + half) / division * division
}

// Decimals returns how many decimals of a gram a display with this division shows: 1 for 0.1 g, 2 for 0.05 g.
func Decimals(division Mass) int {
	switch {
	case division <= 0 || division%10 != 0:
		return 3
	case division%100 != 0:
		return 2
	case division%1000 != 0:
		return 1
	}
	return 0
}

// Show returns m as a display with this division shows it, without the unit: "25.0", "-0.3".
func (m Mass) Show(division Mass) string {
	r := m.Round(division)
	return strconv.FormatFloat(r.Grams(), 'f', Decimals(division), 64)
}

// String returns m in grams to the milligram with its unit, for logs and test failures.
func (m Mass) String() string { return strconv.FormatFloat(m.Grams(), 'f', 3, 64) + " g" }
