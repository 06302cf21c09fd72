package pigment

import (
	"errors"
	"fmt"
	"math"
)

// Surface is the boundary between paint and air, after J. L. Saunderson, J. Opt. Soc. Am. 32 (1942), 727 (from memory,
// not opened): K1 is what the surface throws back from outside, ((n-1)/(n+1))², 0.04 for a refractive index of 1.5, and
// K2 what it throws back of the diffuse light from within, 0.596 for 1.5 by Fresnel's equations, in practice 0.4 to
// 0.6. SpecularExcluded is for readings whose gloss is kept out of the detector: then the leading K1 is dropped.
type Surface struct {
	K1, K2           float64
	SpecularExcluded bool
}

// Valid returns nil if both coefficients are at least 0 and below 1.
func (s Surface) Valid() error {
	for _, c := range [...]struct {
		name  string
		value float64
	}{{"k1", s.K1}, {"k2", s.K2}} {
		if !(c.value >= 0 && c.value < 1) {
			return fmt.Errorf("the surface's %s is %g: it must be at least 0 and below 1, usually k1 0.04 and k2 0.6", c.name, c.value)
		}
	}
	return nil
}

// leading is the part of the reading that never entered the paint.
func (s Surface) leading() float64 {
	if s.SpecularExcluded {
		return 0
	}
	return s.K1
}

// Measured returns what an instrument reads of a paint whose reflectance within is r, 0 to 1:
// k1 + (1-k1)(1-k2) r / (1 - k2 r).
func (s Surface) Measured(r float64) float64 {
	// At r = 1 the sum is 1; a rounding above it would be a reflectance that no spectrum may have.
	return math.Min(1, s.leading()+(1-s.K1)*(1-s.K2)*r/(1-s.K2*r))
}

// slope returns the derivative of Measured.
func (s Surface) slope(r float64) float64 {
	d := 1 - s.K2*r
	return (1 - s.K1) * (1 - s.K2) / (d * d)
}

// errTooDark and errTooBright carry what the caller wraps with the place of the reading.
var (
	errTooDark   = errors.New("is darker than the surface alone: use a smaller k1, or say that gloss was excluded")
	errTooBright = errors.New("is brighter than a perfect white under this surface: use a smaller k1 or check whether gloss was included")
)

// Within returns the reflectance within the paint that an instrument reads as m: the inverse of Measured.
// A reading that no paint under this surface can give is an error.
func (s Surface) Within(m float64) (float64, error) {
	over := m - s.leading()
	r := over / ((1-s.K1)*(1-s.K2) + s.K2*over)
	switch {
	case math.IsNaN(r):
		return 0, fmt.Errorf("a reflectance of %g is not a number that can be used: read it again", m)
	case over < 0:
		return 0, fmt.Errorf("a reflectance of %.4g %w", m, errTooDark)
	case r > 1+1e-12:
		return 0, fmt.Errorf("a reflectance of %.4g %w", m, errTooBright)
	}
	return math.Min(1, r), nil
}
