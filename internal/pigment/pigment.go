// Package pigment predicts the colour of a mixture of toners from their absorption and scattering.
//
// It holds two-constant Kubelka-Munk theory for opaque and finite films over any ground, Saunderson's correction for
// the surface of the paint, contrast ratio and the film that hides, and the sensitivity of the colour to each toner.
// On these stand the solvers: toners from measured drawdowns (Calibrate, Field), what to add to a cup whose card is off
// (Tint, First), a formula for a measured colour (Match), the closest of a list (Swatches), the strength of a lot
// (StrengthOf) and the ground that hides soonest (Undercoats).
//
// It promises that a composition counts by its proportions only, that sensitivities are analytic, that the same question
// gets the same answer, and that input which no paint can have is an error in one plain sentence.
//
// It does not know flake and pearl, whose colour turns with the angle and does not obey Kubelka-Munk; nor fluorescence,
// nor gloss. Masses, names on a shelf and choices belong to the packages above it.
//
// Start at NewPalette and Palette.Predict. The long forms of the tests of Calibrate run with POURBOOK_LONG=1 in the
// environment.
package pigment

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"pourbook/internal/colour"
)

// Pigment is the optical data of one toner: absorption K and scattering S of the pure toner at each wavelength of
// Grid. Both are a unit of thickness; the unit is whatever the drawdowns were measured in, and only K/S matters
// where the film is opaque.
type Pigment struct {
	Name string
	Grid colour.Grid
	K, S []float64
}

// DataError is one thing wrong with the data of a toner. Error is one plain sentence; Field and Index say where.
type DataError struct {
	Field string // "name", "k" or "s"
	Index int    // of a value, counted from 0; -1 where the whole field is meant
	says  string
}

// Error returns the sentence.
func (e *DataError) Error() string { return e.says }

// Valid returns nil for data that a toner can have: a good grid, one K and one S a wavelength, all finite and 0 or above.
// The error is a *DataError, or wraps the *colour.InputError of a grid.
func (p Pigment) Valid() error {
	if p.Name == "" {
		return &DataError{"name", -1, "a toner with colour data has no name: give it one"}
	}
	grid := p.Grid
	if grid.Count == 0 { // as it comes from a form
		grid.Count = len(p.K)
	}
	if err := grid.Valid(); err != nil {
		return fmt.Errorf("%s: %w", p.Name, err)
	}
	for _, row := range [...]struct {
		name, field string
		values      []float64
	}{{"K", "k", p.K}, {"S", "s", p.S}} {
		if len(row.values) != grid.Count {
			return &DataError{row.field, -1, fmt.Sprintf("%s has %d values of %s for %d wavelengths: give one for each", p.Name, len(row.values), row.name, grid.Count)}
		}
		for i, v := range row.values {
			if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
				return &DataError{row.field, i, fmt.Sprintf("%s of %s at %g nm is %g: it must be 0 or above", row.name, p.Name, grid.Wavelength(i), v)}
			}
		}
	}
	return nil
}

// Palette is a set of toners whose mixtures can be predicted. It is made by NewPalette and never changes.
type Palette struct {
	grid    colour.Grid
	surface Surface
	names   []string
	k, s    [][]float64 // by toner, then wavelength
}

// NewPalette returns the palette of the given toners under one kind of surface. The toners must share a grid and
// have different names; each must be Valid, and so must the surface.
func NewPalette(pigments []Pigment, surface Surface) (*Palette, error) {
	if len(pigments) == 0 {
		return nil, errors.New("there is no toner with colour data: give at least one")
	}
	if err := surface.Valid(); err != nil {
		return nil, err
	}
	p := &Palette{grid: pigments[0].Grid, surface: surface}
	for _, one := range pigments {
		if err := one.Valid(); err != nil {
			return nil, err
		}
		if one.Grid.Start != p.grid.Start || one.Grid.Step != p.grid.Step || len(one.K) != len(pigments[0].K) {
			return nil, fmt.Errorf("the colour data of %s and %s are on different wavelengths: give all toners on the same", pigments[0].Name, one.Name)
		}
		if slices.Contains(p.names, one.Name) {
			return nil, fmt.Errorf("%s is given twice: give each toner once", one.Name)
		}
		p.names = append(p.names, one.Name)
		p.k = append(p.k, slices.Clone(one.K))
		p.s = append(p.s, slices.Clone(one.S))
	}
	p.grid.Count = len(pigments[0].K)
	return p, nil
}

// Grid returns the wavelengths of the palette's data and of all that it predicts.
func (p *Palette) Grid() colour.Grid { return p.grid }

// Names returns the toners in the order in which parts are given.
func (p *Palette) Names() []string { return slices.Clone(p.names) }

// Surface returns the kind of surface that predictions are for.
func (p *Palette) Surface() Surface { return p.surface }

// shares checks a composition and returns each toner's share of the whole, with the whole.
func (p *Palette) shares(parts []float64) ([]float64, float64, error) {
	if len(parts) != len(p.names) {
		return nil, 0, fmt.Errorf("the mixture has %d parts for %d toners: give one for each, 0 where there is none", len(parts), len(p.names))
	}
	whole := 0.0
	for i, part := range parts {
		if math.IsNaN(part) || math.IsInf(part, 0) || part < 0 {
			return nil, 0, fmt.Errorf("the amount of %s is %g: it must be 0 or above", p.names[i], part)
		}
		whole += part
	}
	if !(whole > 0) || math.IsInf(whole, 0) {
		return nil, 0, errors.New("the mixture is empty: give at least one toner an amount above 0")
	}
	shares := make([]float64, len(parts))
	for i, part := range parts {
		shares[i] = part / whole
	}
	return shares, whole, nil
}

// mix returns K and S of a mixture at one wavelength: the sums of the toners' own, by share (Duncan 1940).
func (p *Palette) mix(shares []float64, i int) (k, s float64) {
	for toner, share := range shares {
		k += share * p.k[toner][i]
		s += share * p.s[toner][i]
	}
	return k, s
}
