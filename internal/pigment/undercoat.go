package pigment

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"pourbook/internal/colour"
)

// Undercoat is a ground for a colour that lets light through.
type Undercoat struct {
	At     int     // its place in the list that was asked about
	Coats  int     // that hide it
	DeltaE float64 // ΔE00 between those coats over it and the colour itself
}

// mostCoats is the most coats that count as hiding at all.
const mostCoats = 20

// Undercoats returns, for each ground of a list, how many coats of a given thickness hide it, the best first: fewest
// coats, then the smallest difference, then the place in the list. A ground is hidden when the film over it is within
// the limit of the colour itself, in ΔE00. Grounds that 20 coats do not hide are left out; so none may come back.
//
// Thickness is in the unit of K and S. Errors are those of Predict.
func (p *Palette) Undercoats(parts []float64, perCoat float64, grounds []colour.Spectrum, limit float64, weights colour.Weights) ([]Undercoat, error) {
	shares, _, err := p.shares(parts)
	if err != nil {
		return nil, err
	}
	switch {
	case !(perCoat > 0) || math.IsInf(perCoat, 0):
		return nil, fmt.Errorf("the thickness of one coat is %g: it must be above 0", perCoat)
	case !(limit > 0) || math.IsInf(limit, 0):
		return nil, fmt.Errorf("the limit is %g: it must be above 0, usually 0.5", limit)
	case len(grounds) == 0:
		return nil, errors.New("there is no ground to choose from: give the spectra of the sealers or grounds")
	case weights.Grid() != p.grid:
		return nil, errors.New("the colour data of the toners and the weights of the light are on different wavelengths")
	}
	k, s, values := make([]float64, p.grid.Count), make([]float64, p.grid.Count), make([]float64, p.grid.Count)
	opaque := bed{thickness: math.Inf(1)}
	for i := range k {
		k[i], s[i] = p.mix(shares, i)
		if err := p.clear(opaque, k[i], s[i], i); err != nil {
			return nil, err
		}
		values[i] = p.surface.Measured(Opaque(k[i], s[i]))
	}
	aim := weights.Lab(values)
	var out []Undercoat
	for at, ground := range grounds {
		within, err := p.within(ground, fmt.Sprintf("ground %d", at+1))
		if err != nil {
			return nil, err
		}
		for coats := 1; coats <= mostCoats; coats++ {
			for i := range values {
				values[i] = p.surface.Measured(Film(k[i], s[i], float64(coats)*perCoat, within[i]))
			}
			if d := colour.DeltaE2000(aim, weights.Lab(values)); d <= limit {
				out = append(out, Undercoat{at, coats, d})
				break
			}
		}
	}
	sortUndercoats(out)
	return out, nil
}

// Greys returns flat greys of L* 10, 15 … 95, as a sealer is tinted, for Undercoats: what a palette's surface can
// show. Their L* is first in order.
func (p *Palette) Greys() (lightness []float64, grounds []colour.Spectrum, err error) {
	for l := 10; l <= 95; l += 5 {
		y := colour.Lab{L: float64(l)}.XYZ(colour.XYZ{X: 1, Y: 1, Z: 1}).Y
		if _, err := p.surface.Within(y); err != nil {
			continue // darker than the gloss, or brighter than white paint: no such sealer
		}
		values := make([]float64, p.grid.Count)
		for i := range values {
			values[i] = y
		}
		g, err := colour.NewSpectrum(p.grid.Start, p.grid.Step, values)
		if err != nil {
			return nil, nil, err
		}
		lightness, grounds = append(lightness, float64(l)), append(grounds, g)
	}
	return lightness, grounds, nil
}

func sortUndercoats(list []Undercoat) {
	slices.SortStableFunc(list, func(a, b Undercoat) int {
		return cmp.Or(cmp.Compare(a.Coats, b.Coats), cmp.Compare(a.DeltaE, b.DeltaE))
	})
}
