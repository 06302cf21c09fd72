package pigment

import (
	"math"
	"slices"

	"pourbook/internal/colour"
)

// Field is what a palette's two constants leave over of its own drawdowns, interpolated: the residual of ln(K/S) as a
// Gaussian process over composition, wavelength by wavelength. Where mixtures near by were drawn down it carries their
// residual over; far from any it is 0 and the two constants stand alone. It is for mixtures that hide.
type Field struct {
	palette *Palette
	places  [][]float64 // of the drawdowns, by toner
	weights [][]float64 // by wavelength, then drawdown: (covariance + noise)⁻¹ residual
	kernel  kernel
}

// kernel is how alike the residuals of two compositions are taken to be. Its values were chosen on the mixtures of
// the open set that lie between others (TestMixturesBetweenOthers); no published ones are known.
type kernel struct {
	size   float64 // standard deviation of the residual of ln(K/S)
	reach  float64 // distance at which two compositions are alike by e^(-1/2)
	little float64 // the share from which on a toner's place moves by its logarithm
}

var usualKernel = kernel{size: 0.2, reach: 0.35, little: 0.001}

// NewField returns the field of a calibration and the drawdowns that it was made from. Errors are those of Calibrate.
func NewField(c Calibration, samples []Drawdown, surface Surface) (*Field, error) {
	return newField(c.Pigments, samples, surface, usualKernel)
}

func newField(pigments []Pigment, samples []Drawdown, surface Surface, k kernel) (*Field, error) {
	palette, err := NewPalette(pigments, surface)
	if err != nil {
		return nil, err
	}
	// The checks are those of a calibration; any toner will do for the white.
	checked, err := newCalibration(palette.Names(), palette.names[0], samples, surface, UsualPrior())
	if err != nil {
		return nil, err
	}
	f := &Field{palette: palette, kernel: k}
	for _, film := range checked.films {
		shares := make([]float64, len(palette.names))
		for i, t := range film.toners {
			shares[t] = film.shares[i]
		}
		f.places = append(f.places, k.place(shares))
	}
	n := len(f.places)
	alike := make([][]float64, n)
	first := make([]int, n)
	for i := range alike {
		for j := range i + 1 {
			alike[i] = append(alike[i], k.of(f.places[i], f.places[j]))
		}
	}
	for band := range palette.grid.Count {
		m, residual := newSkyline(first), make([]float64, n)
		for i, film := range checked.films {
			for j, v := range alike[i] {
				m.add(i, j, v)
			}
			noise := 10.0 // nothing is known of a film whose colour at this wavelength is that of its ground
			if h := film.hidden[band]; h.trust > 0 {
				if r, err := surface.Within(h.measured); err == nil && r > 0 && r < 1 {
					kk, ss := 0.0, 0.0
					for at, t := range film.toners {
						kk += film.shares[at] * palette.k[t][band]
						ss += film.shares[at] * palette.s[t][band]
					}
					q := (1 - r) * (1 - r) / (2 * r)
					if kk > 0 && ss > 0 && q > 0 {
						residual[i] = math.Log(q * ss / kk)
						// How far ln(K/S) is off where L* is off by the noise.
						_, slope := lightness(h.measured)
						_, byK, _ := opaqueSlopes(q, 1)
						noise = checked.prior.Noise / (h.trust * math.Max(1e-3, math.Abs(slope*surface.slope(r)*byK*q)))
					}
				}
			}
			m.add(i, i, noise*noise)
		}
		l, ok := m.factor(1e-9)
		if !ok { // cannot be: a covariance and a noise above 0
			return nil, errOutOfRange
		}
		l.solve(residual)
		f.weights = append(f.weights, residual)
	}
	return f, nil
}

// place puts a composition where like ones are near: shares on a scale that is straight below little and logarithmic
// above, as what one part in a hundred of black does is nearer to one in ten than to none.
func (k kernel) place(shares []float64) []float64 {
	out := make([]float64, len(shares))
	for i, s := range shares {
		out[i] = math.Log1p(s/k.little) / math.Log1p(1/k.little)
	}
	return out
}

func (k kernel) of(a, b []float64) float64 {
	d := 0.0
	for i, v := range a {
		d += (v - b[i]) * (v - b[i])
	}
	return k.size * k.size * math.Exp(-d/(2*k.reach*k.reach))
}

// Predict returns the spectrum that an instrument would read of a mixture that hides, the residuals of like mixtures
// taken in. Parts are as in Palette.Predict, and so are the errors.
func (f *Field) Predict(parts []float64) (colour.Spectrum, error) {
	plain, err := f.palette.Predict(parts, Coat{})
	if err != nil {
		return colour.Spectrum{}, err
	}
	shares, _, err := f.palette.shares(parts)
	if err != nil {
		return colour.Spectrum{}, err
	}
	at := f.kernel.place(shares)
	alike := make([]float64, len(f.places))
	for i, p := range f.places {
		alike[i] = f.kernel.of(at, p)
	}
	values := slices.Clone(plain.Values())
	for band := range values {
		residual := 0.0
		for i, w := range f.weights[band] {
			residual += w * alike[i]
		}
		k, s := f.palette.mix(shares, band)
		values[band] = f.palette.surface.Measured(Opaque(k*math.Exp(residual), s))
	}
	return colour.NewSpectrum(plain.Grid().Start, plain.Grid().Step, values)
}
