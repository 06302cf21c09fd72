package pigment

import (
	"errors"
	"fmt"
	"math"

	"pourbook/internal/colour"
)

// Hidden is the contrast ratio from which a film counts as hiding: 98 % (the usual full hiding of ISO 6504-3 and
// ASTM D2805; from memory, not opened).
const Hidden = 0.98

// Chart is the pair of grounds on which hiding is judged, as measured.
type Chart struct{ Black, White colour.Spectrum }

// Contrast returns the contrast ratio of a film: luminance Y over the black ground divided by Y over the white one,
// 0 to 1 (ISO 6504-3). Errors are those of Predict; a chart whose white is not brighter than its black is one too.
func (p *Palette) Contrast(parts []float64, thickness float64, chart Chart, weights colour.Weights) (float64, error) {
	h, err := p.hiding(parts, chart, weights)
	if err != nil {
		return 0, err
	}
	if !(thickness > 0) || math.IsInf(thickness, 0) {
		return 0, fmt.Errorf("the film's thickness is %g: it must be above 0", thickness)
	}
	return h.contrast(thickness), nil
}

// ThicknessToHide returns the least thickness whose contrast ratio reaches the given one, which is above 0 and below 1
// (Hidden is the usual one); to 1 part in 10^9. A mixture that never hides is an error.
func (p *Palette) ThicknessToHide(parts []float64, contrast float64, chart Chart, weights colour.Weights) (float64, error) {
	if !(contrast > 0 && contrast < 1) {
		return 0, fmt.Errorf("a contrast ratio of %g cannot be reached: ask for one above 0 and below 1, usually 0.98", contrast)
	}
	h, err := p.hiding(parts, chart, weights)
	if err != nil {
		return 0, err
	}
	if h.contrast(0) >= contrast {
		return 0, nil // the chart itself has no more contrast than that
	}
	// The ratio rises with thickness throughout, so doubling brackets the answer and halving finds it.
	low, high := 0.0, h.scale()
	for range 200 {
		if h.contrast(high) >= contrast {
			for high-low > 1e-9*high {
				if middle := (low + high) / 2; h.contrast(middle) >= contrast {
					high = middle
				} else {
					low = middle
				}
			}
			return high, nil
		}
		low, high = high, 2*high
	}
	return 0, fmt.Errorf("this mixture never hides to %g %%: it neither absorbs nor scatters enough, so choose the ground for it instead", 100*contrast)
}

// Coats returns how many coats of a given thickness reach a thickness, at least one.
func Coats(thickness, perCoat float64) (int, error) {
	if !(perCoat > 0) || math.IsInf(perCoat, 0) {
		return 0, fmt.Errorf("the thickness of one coat is %g: it must be above 0", perCoat)
	}
	if !(thickness >= 0) || math.IsInf(thickness, 0) {
		return 0, fmt.Errorf("the thickness to reach is %g: it must be 0 or above", thickness)
	}
	coats := math.Ceil(thickness/perCoat - 1e-9) // a whole number of coats must not become one more by rounding
	if coats > 1000 {
		return 0, fmt.Errorf("it would take %.0f coats: this paint does not hide, so choose the ground for it instead", coats)
	}
	return max(1, int(coats)), nil
}

// hiding is a mixture over the two grounds of a chart, all within the paint.
type hiding struct {
	surface      Surface
	k, s         []float64
	black, white []float64
	luminance    []float64
}

func (p *Palette) hiding(parts []float64, chart Chart, weights colour.Weights) (*hiding, error) {
	shares, _, err := p.shares(parts)
	if err != nil {
		return nil, err
	}
	if weights.Grid() != p.grid {
		return nil, errors.New("the colour data of the toners and the weights of the light are on different wavelengths")
	}
	h := &hiding{surface: p.surface}
	if chart.Black.Grid().Count == 0 || chart.White.Grid().Count == 0 {
		return nil, errors.New("hiding needs a chart: give the spectra of its black and its white ground")
	}
	if h.black, err = p.within(chart.Black, "the black ground"); err != nil {
		return nil, err
	}
	if h.white, err = p.within(chart.White, "the white ground"); err != nil {
		return nil, err
	}
	for i := range p.grid.Count {
		k, s := p.mix(shares, i)
		h.k, h.s = append(h.k, k), append(h.s, s)
		h.luminance = append(h.luminance, weights.Factor(i).Y)
	}
	if h.sum(h.black, 0) >= h.sum(h.white, 0) {
		return nil, errors.New("the chart's white ground is not brighter than its black one: check which is which")
	}
	return h, nil
}

// sum returns Y of the film over one ground.
func (h *hiding) sum(ground []float64, thickness float64) float64 {
	y := 0.0
	for i, g := range ground {
		y += h.luminance[i] * h.surface.Measured(Film(h.k[i], h.s[i], thickness, g))
	}
	return y
}

func (h *hiding) contrast(thickness float64) float64 {
	white := h.sum(h.white, thickness)
	if white <= 0 { // all black over both
		return 1
	}
	return h.sum(h.black, thickness) / white
}

// scale returns a thickness to start from: one over the mixture's mean K + S.
func (h *hiding) scale() float64 {
	sum := 0.0
	for i := range h.k {
		sum += h.k[i] + h.s[i]
	}
	if sum == 0 {
		return 1
	}
	return float64(len(h.k)) / sum
}
