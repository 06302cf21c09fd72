package pigment

import (
	"errors"
	"fmt"
	"math"

	"pourbook/internal/colour"
)

// Strength is a new lot of a toner beside the standard, each in the same tint of white.
type Strength struct {
	// AtPeak is the quotient of what the toner adds to K/S, lot over standard, at the wavelength where the standard adds
	// most; Peak is that wavelength in nanometres. Overall is the same quotient that fits all wavelengths best, each
	// counted as it carries X, Y and Z. 1.1 is a lot that takes 10 % less by weight.
	AtPeak, Peak, Overall float64
	// Before is ΔE00 (D65, 10 degrees) between the two tints as they are; After what would be left if the lot were weighed
	// by its strength: the difference in shade, which no weight puts right.
	Before, After float64
	// Left is that difference, lot minus standard.
	Left colour.Lab
}

// weakest is the least K/S that a toner may add to the white for its strength to be told from it.
const weakest = 0.01

// StrengthOf compares a lot with the standard by tints of the same recipe, measured as films that hide, and the white
// that both were made with. In a tint mostly of white, K/S is that of the white and a part in proportion to the toner
// (Kubelka-Munk with one constant); the toner's own scattering is left out, so strong tints say less than weak ones:
// about one part of toner in twenty of white is usual (common practice, no source).
//
// Readings that the surface cannot give, and a tint that hardly differs from the white, are errors.
func StrengthOf(standard, lot, white colour.Spectrum, surface Surface) (Strength, error) {
	if err := surface.Valid(); err != nil {
		return Strength{}, err
	}
	grid := standard.Grid()
	for _, s := range [...]struct {
		name     string
		spectrum colour.Spectrum
	}{{"the standard", standard}, {"the new lot", lot}, {"the white", white}} {
		if s.spectrum.Grid().Count == 0 {
			return Strength{}, fmt.Errorf("there is no reading of %s: measure it", s.name)
		}
	}
	p := &Palette{grid: grid, surface: surface}
	q := [3][]float64{}
	for i, s := range [...]struct {
		name     string
		spectrum colour.Spectrum
	}{{"the standard", standard}, {"the new lot", lot}, {"the white", white}} {
		var err error
		if q[i], err = p.ratio(s.spectrum, s.name); err != nil {
			return Strength{}, err
		}
	}
	light, err := colour.NewWeights(grid, colour.D65, colour.TenDegrees)
	if err != nil {
		return Strength{}, err
	}
	out := Strength{}
	most, cross, square := 0.0, 0.0, 0.0
	for i := range q[0] {
		a, b := q[0][i]-q[2][i], q[1][i]-q[2][i]
		f := light.Factor(i)
		// The ends of the spectrum, where an instrument is weak, do not make a peak.
		if a > most && f.X+f.Y+f.Z > carries {
			most, out.Peak, out.AtPeak = a, grid.Wavelength(i), b/a
		}
		// K/S is spread over decades: its error grows with it, so each wavelength counts by its share.
		w := math.Max(0, f.X+f.Y+f.Z) / (q[0][i] * q[0][i])
		cross += w * a * b
		square += w * a * a
	}
	if most < weakest {
		return Strength{}, errors.New("the standard tint is hardly darker than the white, so it tells no strength: put more of the toner in")
	}
	out.Overall = cross / square
	if !(out.Overall > 0) || !(out.AtPeak > 0) {
		return Strength{}, errors.New("the new lot is no darker than the white, so it has no strength to tell: check that the readings are not swapped")
	}
	values := make([]float64, grid.Count)
	for i := range values {
		values[i] = surface.Measured(Opaque(math.Max(0, q[2][i]+(q[1][i]-q[2][i])/out.Overall), 1))
	}
	first, second, adjusted := light.Lab(standard.Values()), light.Lab(lot.Values()), light.Lab(values)
	out.Before = colour.DeltaE2000(first, second)
	out.After = colour.DeltaE2000(first, adjusted)
	out.Left = colour.Lab{L: adjusted.L - first.L, A: adjusted.A - first.A, B: adjusted.B - first.B}
	return out, nil
}
