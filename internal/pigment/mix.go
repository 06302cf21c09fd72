package pigment

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"pourbook/internal/colour"
)

// Coat is how a mixture lies on the panel. The zero Coat is opaque. With a Thickness it is a finite film over Ground,
// the measured reflectance of what lies under it; Thickness is in the unit in which the toners' K and S were measured.
type Coat struct {
	Thickness float64
	Ground    colour.Spectrum
}

// GroundError is a spectrum that cannot be, or cannot lie under, paint of this surface. Error is one plain sentence.
type GroundError struct {
	What string // it is: "ground", "black ground", "card", "target" …
	says string
}

// Error returns the sentence.
func (e *GroundError) Error() string { return e.says }

// bed is a coat made ready for a palette: thickness +Inf where it is opaque, the ground within the paint.
type bed struct {
	thickness float64
	ground    []float64
}

// bed checks a coat and brings its ground to the palette's wavelengths and under its surface.
func (p *Palette) bed(coat Coat) (bed, error) {
	grounded := coat.Ground.Grid().Count > 0
	switch {
	case coat.Thickness == 0 && !grounded:
		return bed{math.Inf(1), make([]float64, p.grid.Count)}, nil
	case math.IsNaN(coat.Thickness) || math.IsInf(coat.Thickness, 0) || coat.Thickness < 0:
		return bed{}, fmt.Errorf("the film's thickness is %g: it must be above 0", coat.Thickness)
	case coat.Thickness == 0:
		return bed{}, errors.New("there is a ground but no thickness of the film over it: give the thickness, or leave out the ground for an opaque film")
	case !grounded:
		return bed{}, errors.New("there is a thickness but no ground under the film: give the ground, or leave out the thickness for an opaque film")
	}
	ground, err := p.within(coat.Ground, "the ground")
	if err != nil {
		return bed{}, err
	}
	return bed{coat.Thickness, ground}, nil
}

// within brings a measured spectrum to the palette's grid and through the inverse Saunderson correction.
func (p *Palette) within(measured colour.Spectrum, what string) ([]float64, error) {
	s, err := measured.Resample(p.grid)
	if err != nil {
		return nil, &GroundError{strings.TrimPrefix(what, "the "), what + ": " + err.Error()}
	}
	values := s.Values()
	for i, m := range values {
		if values[i], err = p.surface.Within(math.Max(0, m)); err != nil { // interpolation may dip a hair below 0
			return nil, &GroundError{strings.TrimPrefix(what, "the "), fmt.Sprintf("%s at %g nm: %s", what, p.grid.Wavelength(i), err)}
		}
	}
	return values, nil
}

// Predict returns the spectrum that an instrument would read of a mixture. Parts are amounts in any one unit, one for
// each toner of the palette in its order. Parts below 0 or all 0, a coat that is not complete, and an opaque film
// of toners that neither absorb nor scatter at some wavelength are errors.
func (p *Palette) Predict(parts []float64, coat Coat) (colour.Spectrum, error) {
	shares, _, err := p.shares(parts)
	if err != nil {
		return colour.Spectrum{}, err
	}
	bed, err := p.bed(coat)
	if err != nil {
		return colour.Spectrum{}, err
	}
	values := make([]float64, p.grid.Count)
	for i := range values {
		k, s := p.mix(shares, i)
		if err := p.clear(bed, k, s, i); err != nil {
			return colour.Spectrum{}, err
		}
		values[i] = p.surface.Measured(Film(k, s, bed.thickness, bed.ground[i]))
	}
	return colour.NewSpectrum(p.grid.Start, p.grid.Step, values)
}

// clear refuses an opaque film of nothing that absorbs or scatters.
func (p *Palette) clear(b bed, k, s float64, i int) error {
	if k == 0 && s == 0 && math.IsInf(b.thickness, 1) {
		return fmt.Errorf("this mixture neither absorbs nor scatters at %g nm, so it never becomes opaque: give a thickness and a ground", p.grid.Wavelength(i))
	}
	return nil
}

// Sensitivity is a predicted colour and what one more unit of each toner would do to it.
type Sensitivity struct {
	Lab colour.Lab
	// Slopes holds, for each toner of the palette, the change of L, a and b a unit of that toner added (a gram, if the
	// parts were grams), all others held. Σ parts·slope is 0, as more of everything changes nothing.
	Slopes []colour.Lab
}

// Sensitivity returns the colour of a mixture and its derivatives by each toner's part, analytically. The weights say
// the light and observer, and must be on the palette's grid. Errors are those of Predict.
func (p *Palette) Sensitivity(parts []float64, coat Coat, weights colour.Weights) (Sensitivity, error) {
	shares, whole, err := p.shares(parts)
	if err != nil {
		return Sensitivity{}, err
	}
	bed, err := p.bed(coat)
	if err != nil {
		return Sensitivity{}, err
	}
	if weights.Grid() != p.grid {
		return Sensitivity{}, errors.New("the colour data of the toners and the weights of the light are on different wavelengths")
	}
	reading, err := p.reading(shares, whole, bed)
	if err != nil {
		return Sensitivity{}, err
	}
	return reading.under(weights), nil
}

// reading is a predicted spectrum and its derivatives by each toner's part: by toner, then wavelength.
type reading struct {
	values []float64
	slopes [][]float64
}

func (p *Palette) reading(shares []float64, whole float64, bed bed) (reading, error) {
	n := p.grid.Count
	all := make([]float64, n*(1+len(shares))) // one piece of memory for all rows
	out := reading{values: all[:n], slopes: make([][]float64, len(shares))}
	for toner := range shares {
		out.slopes[toner] = all[n*(toner+1) : n*(toner+2)]
	}
	for i := range n {
		k, s := p.mix(shares, i)
		if err := p.clear(bed, k, s, i); err != nil {
			return reading{}, err
		}
		var r, byK, byS float64
		if math.IsInf(bed.thickness, 1) {
			r, byK, byS = opaqueSlopes(k, s)
		} else {
			r, byK, byS, _ = filmSlopes(k, s, bed.thickness, bed.ground[i])
		}
		out.values[i] = p.surface.Measured(r)
		slope := p.surface.slope(r) / whole
		for toner := range shares {
			// One more unit of a toner moves the mixture's K towards its own by (k - K)/whole.
			out.slopes[toner][i] = slope * (byK*(p.k[toner][i]-k) + byS*(p.s[toner][i]-s))
		}
	}
	return out, nil
}

// under returns the colour of a reading and its slopes for one light and observer.
func (r reading) under(weights colour.Weights) Sensitivity {
	xyz, white := weights.XYZ(r.values), weights.White()
	out := Sensitivity{Lab: xyz.Lab(white), Slopes: make([]colour.Lab, len(r.slopes))}
	for toner, slope := range r.slopes {
		out.Slopes[toner] = xyz.LabSlope(weights.XYZ(slope), white)
	}
	return out
}
