package pigment

import (
	"errors"
	"fmt"
	"math"

	"pourbook/internal/colour"
	"pourbook/internal/gram"
)

// Anchored returns the palette as a measured card corrects it: the card was sprayed from the given grams, and K of every
// toner is multiplied by K/S of the card over K/S predicted for it, wavelength by wavelength. What it predicts for those
// grams is the card itself; Tint computes the same. Errors are sentences.
func (p *Palette) Anchored(in []gram.Mass, card colour.Spectrum) (*Palette, error) {
	if len(in) != len(p.names) {
		return nil, fmt.Errorf("the cup needs one entry for each of the %d toners", len(p.names))
	}
	if card.Grid().Count == 0 {
		return nil, errors.New("there is no card: spray one from the cup and measure it")
	}
	ratio, err := p.ratio(card, "the card")
	if err != nil {
		return nil, err
	}
	pigments := make([]Pigment, len(p.names))
	for t, name := range p.names {
		pigments[t] = Pigment{Name: name, Grid: p.grid, K: make([]float64, p.grid.Count), S: append([]float64(nil), p.s[t]...)}
	}
	for i := range p.grid.Count {
		k, s := 0.0, 0.0
		for t, m := range in {
			k += m.Grams() * p.k[t][i]
			s += m.Grams() * p.s[t][i]
		}
		by := ratio[i] * s / k
		if !(by > 0) || math.IsInf(by, 0) {
			return nil, fmt.Errorf("at %g nm the toners in the cup do not absorb or do not scatter at all by their data, so the card cannot be compared with them: calibrate them again", p.grid.Wavelength(i))
		}
		for t := range pigments {
			pigments[t].K[i] = p.k[t][i] * by
		}
	}
	return NewPalette(pigments, p.surface)
}

// Differences returns ΔE00 between two spectra under each light.
func Differences(standard, sample colour.Spectrum, lights []colour.Illuminant, observer colour.Observer) ([]float64, error) {
	out := make([]float64, len(lights))
	for i, light := range lights {
		a, err := standard.Lab(light, observer)
		if err != nil {
			return nil, err
		}
		b, err := sample.Lab(light, observer)
		if err != nil {
			return nil, err
		}
		out[i] = colour.DeltaE2000(a, b)
	}
	return out, nil
}
