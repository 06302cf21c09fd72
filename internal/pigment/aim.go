package pigment

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"pourbook/internal/colour"
)

// Aim is a colour to hit with the toners of a palette, under one or several lights. It fills the small interface by
// which the rules of pouring ask for colour: grams in, distance and gradient out.
type Aim struct {
	palette *Palette
	bed     bed
	lights  []colour.Weights
	targets []colour.Lab
}

// AimAt returns the aim at a measured spectrum. The coat says how the cup's paint will lie when it is judged. No
// light, an unknown one or the same twice is an error, as is a coat that is not complete.
func (p *Palette) AimAt(target colour.Spectrum, coat Coat, lights []colour.Illuminant, observer colour.Observer) (*Aim, error) {
	if target.Grid().Count == 0 {
		return nil, errors.New("there is no target: give the spectrum of the colour to hit")
	}
	bed, err := p.bed(coat)
	if err != nil {
		return nil, err
	}
	if len(lights) == 0 {
		return nil, errors.New("no light is named: choose at least one, usually D65")
	}
	a := &Aim{palette: p, bed: bed}
	for i, light := range lights {
		if slices.Contains(lights[:i], light) {
			return nil, fmt.Errorf("the light %s is named twice: name each once", light)
		}
		weights, err := colour.NewWeights(p.grid, light, observer)
		if err != nil {
			return nil, err
		}
		lab, err := target.Lab(light, observer)
		if err != nil {
			return nil, err
		}
		a.lights = append(a.lights, weights)
		a.targets = append(a.targets, lab)
	}
	return a, nil
}

// AimAtMixture returns the aim at what the palette itself predicts for a composition: "same as the formula". Errors
// are those of Predict and AimAt.
func (p *Palette) AimAtMixture(parts []float64, coat Coat, lights []colour.Illuminant, observer colour.Observer) (*Aim, error) {
	target, err := p.Predict(parts, coat)
	if err != nil {
		return nil, err
	}
	return p.AimAt(target, coat, lights, observer)
}

// Distance returns the largest ΔE00 between the target and what these grams would give, over the lights of the aim, and
// its derivative by each gram. Grams stand in the palette's order. At the target itself, where the distance has
// its corner, the derivatives are 0. A composition that Predict refuses is infinitely far, with derivatives of 0.
func (a *Aim) Distance(grams []float64) (deltaE float64, gradient []float64) {
	gradient = make([]float64, len(grams))
	shares, whole, err := a.palette.shares(grams)
	if err != nil {
		return math.Inf(1), gradient
	}
	reading, err := a.palette.reading(shares, whole, a.bed)
	if err != nil {
		return math.Inf(1), gradient
	}
	worst := 0
	for i, weights := range a.lights {
		if d := colour.DeltaE2000(a.targets[i], weights.Lab(reading.values)); d > deltaE {
			deltaE, worst = d, i
		}
	}
	sensitivity := reading.under(a.lights[worst])
	deltaE, byLab := colour.DeltaE2000Slope(a.targets[worst], sensitivity.Lab)
	for toner, slope := range sensitivity.Slopes {
		gradient[toner] = byLab.L*slope.L + byLab.A*slope.A + byLab.B*slope.B
	}
	return deltaE, gradient
}
