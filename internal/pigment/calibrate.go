package pigment

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"pourbook/internal/colour"
)

// Calibration is what a set of drawdowns says of its toners.
type Calibration struct {
	Pigments []Pigment
	// Mean and Worst are the differences ΔE00 (D65, 10 degrees) between the readings and what the pigments give for the
	// same composition, over the same ground where there is one, the film's thickness being the one that fits.
	Mean, Worst float64
	// Thickness of each sample's film in units of 1/S, +Inf where it was given as hiding.
	Thickness []float64
	// Undetermined names the toners whose ln K or ln S the drawdowns leave to a standard deviation above 0.7 somewhere
	// that matters to the eye, when nothing is assumed about how strongly a toner scatters.
	Undetermined []string
	// Deviation of ln K and ln S by toner, then wavelength, from the drawdowns and the smoothness of the curves alone.
	KDeviation, SDeviation [][]float64
}

const (
	undetermined = 0.7  // standard deviation of a logarithm above which it counts as unknown
	carries      = 0.01 // share of Y above which a wavelength matters
	openLevel    = 3.0  // ScatterLevel, when asking what the drawdowns determine by themselves
	openStep     = 1.0  // ScatterStep and
	openBend     = 1.0  // ScatterBend likewise: a curve, but any
	leastNoise   = 0.02 // no instrument reads better: in units of L*
)

// Calibrate finds K and S of toners from drawdowns, by wavelength, on the grid of the first reading. The white is the
// toner whose S has mean 1 over the grid, which fixes the unit of thickness.
//
// The unknowns are ln K and ln S of each toner at each wavelength, the thickness of each film read over two grounds,
// and how far each weighed part was off. They are the most probable ones under the prior and the readings, the misfit
// of a reading being 116 Δ∛R (L* of each wavelength) weighed by how much the wavelength carries of X, Y and Z. Where
// the toners fit better than the noise of the prior, the noise, and with it the error of weighing, is brought down to
// the misfit, so that good readings are not smoothed away. The curve of the white's own S comes from the films over two grounds; without one it is flat,
// which is invisible in paint that hides and wrong in a film.
//
// Faults of one sample are a *DrawdownError. A toner that no drawdown holds, or that only ever comes in one and the
// same mixture with another, is an *UndeterminedError.
func Calibrate(toners []string, white string, samples []Drawdown, surface Surface, prior Prior) (Calibration, error) {
	c, err := newCalibration(toners, white, samples, surface, prior)
	if err != nil {
		return Calibration{}, err
	}
	c.start()
	if err := c.fit(); err != nil {
		return Calibration{}, err
	}
	for range 10 { // the noise and the fit settle together
		noise := math.Max(leastNoise, math.Min(prior.Noise, c.misfit()))
		if noise > 0.9*c.prior.Noise {
			break
		}
		c.prior.Noise, c.prior.Strength = noise, prior.Strength*noise/prior.Noise
		if err := c.fit(); err != nil {
			return Calibration{}, err
		}
	}
	return c.result(prior)
}

// calibration is a fit under way. The unknowns stand in one vector: for each wavelength ln K of each toner, beside the
// white's S, and ln S of each toner, beside the white's (for the white itself the logarithm of its own S); then ln of
// each film's thickness; then the error of each part but the largest of its sample.
type calibration struct {
	toners  []string
	white   int
	grid    colour.Grid
	surface Surface
	prior   Prior
	lean    []float64 // weight of a wavelength in the misfit
	light   colour.Weights
	films   []film
	x       []float64
	first   []int
}

func newCalibration(toners []string, white string, samples []Drawdown, surface Surface, prior Prior) (*calibration, error) {
	c := &calibration{toners: toners, white: slices.Index(toners, white), surface: surface, prior: prior}
	for i, name := range toners {
		switch {
		case name == "":
			return nil, errors.New("a toner has no name: give it one")
		case slices.Contains(toners[:i], name):
			return nil, fmt.Errorf("%s is given twice: give each toner once", name)
		}
	}
	if err := surface.Valid(); err != nil {
		return nil, err
	}
	if err := prior.valid(); err != nil {
		return nil, err
	}
	if len(samples) == 0 {
		return nil, errors.New("there is no sample: give the drawdowns of each toner")
	}
	if c.white < 0 {
		return nil, fmt.Errorf("the white, %q, is in none of the samples: name the toner whose scattering is the unit", white)
	}
	if len(samples[0].Readings) > 0 {
		c.grid = samples[0].Readings[0].Spectrum.Grid()
	}
	for i, sample := range samples {
		f, err := c.film(i, sample)
		if err != nil {
			return nil, err
		}
		c.films = append(c.films, f)
	}
	if err := c.refuse(); err != nil {
		return nil, err
	}
	light, err := colour.NewWeights(c.grid, colour.D65, colour.TenDegrees)
	if err != nil {
		return nil, err
	}
	c.light = light
	c.lean = make([]float64, c.grid.Count)
	mean, whiteXYZ := 0.0, light.White()
	for i := range c.lean {
		f := light.Factor(i)
		c.lean[i] = math.Max(0, f.X/whiteXYZ.X+f.Y/whiteXYZ.Y+f.Z/whiteXYZ.Z)
		mean += c.lean[i] / float64(c.grid.Count)
	}
	for i, v := range c.lean {
		// A twentieth is left to the ends of the spectrum: they hardly count, but they must not drift. A finer step gives more
		// readings of the same thing, not more knowledge.
		c.lean[i] = math.Sqrt(math.Max(v/mean, 0.05) * math.Min(1, c.grid.Step/10))
	}
	return c, c.number()
}

// result turns the unknowns into pigments and says how well they are known.
func (c *calibration) result(prior Prior) (Calibration, error) {
	out := Calibration{}
	mean := 0.0
	for band := range c.grid.Count {
		mean += math.Exp(c.x[c.s(band, c.white)]) / float64(c.grid.Count)
	}
	for t, name := range c.toners {
		p := Pigment{Name: name, Grid: c.grid}
		for band := range c.grid.Count {
			own := math.Exp(c.x[c.s(band, c.white)]) / mean
			p.K = append(p.K, own*math.Exp(c.x[c.k(band, t)]))
			p.S = append(p.S, own*c.scatter(band, t))
		}
		if err := p.Valid(); err != nil {
			return Calibration{}, fmt.Errorf("the samples lead to no usable data: %w", err)
		}
		out.Pigments = append(out.Pigments, p)
	}
	out.measure(c, mean)
	return out, c.determine(prior, &out)
}

// measure says how far the readings lie from what the pigments give.
func (out *Calibration) measure(c *calibration, mean float64) {
	n := 0.0
	for _, f := range c.films {
		thick := math.Inf(1)
		if f.thick >= 0 {
			thick = math.Exp(c.x[f.thick]) * mean
		}
		out.Thickness = append(out.Thickness, thick)
		for j, read := range f.read {
			values := make([]float64, c.grid.Count)
			for band := range values {
				k, s, ground := 0.0, 0.0, 0.0
				for i, t := range f.toners { // as it was to be weighed
					k += f.shares[i] * out.Pigments[t].K[band]
					s += f.shares[i] * out.Pigments[t].S[band]
				}
				if f.grounds != nil {
					ground = f.grounds[j][band]
				}
				values[band] = c.surface.Measured(Film(k, s, thick, ground))
			}
			d := colour.DeltaE2000(c.light.Lab(read), c.light.Lab(values))
			out.Mean += d
			out.Worst = math.Max(out.Worst, d)
			n++
		}
	}
	out.Mean /= n
}

// determine finds the standard deviations that are left when nothing is assumed of how strongly a toner scatters.
func (c *calibration) determine(prior Prior, out *Calibration) error {
	c.prior = prior
	c.prior.ScatterLevel, c.prior.ScatterStep, c.prior.ScatterBend = openLevel, math.Max(openStep, prior.ScatterStep), math.Max(openBend, prior.ScatterBend)
	m, _ := c.normal()
	l, ok := m.factor(0)
	if !ok {
		return errors.New("the samples do not determine the toners: give masstone, tints with white and one with black of each")
	}
	all := l.deviations(2 * len(c.toners) * c.grid.Count)
	for t, name := range c.toners {
		var ks, ss []float64
		unknown := false
		for band := range c.grid.Count {
			k, s := all[c.k(band, t)], all[c.s(band, t)]
			if t == c.white {
				s = 0 // the unit
			}
			ks, ss = append(ks, k), append(ss, s)
			if c.light.Factor(band).Y > carries*c.light.White().Y {
				unknown = unknown || k > undetermined || s > undetermined
			}
		}
		out.KDeviation, out.SDeviation = append(out.KDeviation, ks), append(out.SDeviation, ss)
		if unknown {
			out.Undetermined = append(out.Undetermined, name)
		}
	}
	return nil
}
