package pigment

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"pourbook/internal/colour"
)

// Drawdown is a measured sample of known composition: one reading of a film that hides, or two of one film over two
// different grounds. Parts are amounts in any one unit, one for each toner in the order given to Calibrate.
type Drawdown struct {
	Parts    []float64
	Readings []GroundReading
}

// GroundReading is what an instrument reads of a film. The zero Over says that the film hides.
type GroundReading struct{ Spectrum, Over colour.Spectrum }

// DrawdownError is one thing wrong with a sample. Error is one plain sentence; Sample and Reading say where.
type DrawdownError struct {
	Sample  int
	Reading int    // -1 where the whole sample is meant
	Field   string // "parts", "readings", "spectrum" or "over"
	says    string
}

// Error returns the sentence.
func (e *DrawdownError) Error() string { return e.says }

// UndeterminedError says that the drawdowns at hand cannot tell what a toner absorbs and scatters, whatever is assumed.
type UndeterminedError struct {
	Toner string
	says  string
}

// Error returns the sentence.
func (e *UndeterminedError) Error() string { return e.says }

// Prior is what is taken for likely of toners before any is measured. All standard deviations, natural logarithms.
// Differences are from one wavelength to the next 10 nm on. UsualPrior has the values in use, with where they are from.
type Prior struct {
	Noise        float64 // of a film that hides, in 116 ∛R, so in units of L*
	Through      float64 // how many times as far off a film is through which its ground shows
	Scatter      float64 // the mean of ln S beside the white's
	ScatterLevel float64 // ln S about that mean
	ScatterStep  float64 // first difference of ln S
	ScatterBend  float64 // second difference of ln S
	AbsorbBend   float64 // second difference of ln K
	WhiteStep    float64 // first difference of ln S of the white
	WhiteBend    float64 // second difference of the same
	Strength     float64 // ln of a weighed part over what was meant
}

// UsualPrior returns the values that predicted mixtures left out of the open set best when they were chosen on the
// mixtures of the other toners (TestLeaveOneOut); no published values are known.
func UsualPrior() Prior {
	return Prior{
		Noise: 0.7, Through: 3, Scatter: -0.7, ScatterLevel: 0.5, ScatterStep: 0.1, ScatterBend: 0.02, AbsorbBend: 1,
		WhiteStep: 0.3, WhiteBend: 0.1, Strength: 0.025,
	}
}

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

// film is one sample, made ready.
type film struct {
	toners  []int // those that it holds
	shares  []float64
	errs    []int // where the error of each part stands among the unknowns, -1 for the largest
	thick   int   // where the thickness stands, -1 if the film hides
	read    [][]float64
	grounds [][]float64 // within the paint; nil if the film hides
	hidden  []hidden
}

// hidden is what a film would measure if it hid, and how far that is to be trusted: 1 where it does hide.
type hidden struct{ measured, trust float64 }

// seethrough is the difference between the readings within the paint, over the two grounds, at which what the film would
// measure if it hid is trusted by half: the relation between the three then multiplies errors of the readings. Tried
// on the open mixtures: from 0.3 to 1 nothing changes.
const seethrough = 0.3

// asHidden fills in the film's colour as if it hid, at each wavelength where the two readings allow it.
func (f *film) asHidden(surface Surface) {
	f.hidden = make([]hidden, len(f.read[0]))
	for band := range f.hidden {
		if f.grounds == nil {
			f.hidden[band] = hidden{f.read[0][band], 1}
			continue
		}
		r1, _ := surface.Within(f.read[0][band]) // checked before
		r2, _ := surface.Within(f.read[1][band])
		g1, g2 := f.grounds[0][band], f.grounds[1][band]
		d1, d2 := r1-g1, r2-g2
		a := ((1+r1*g1)*d2 - (1+r2*g2)*d1) / ((r1+g1)*d2 - (r2+g2)*d1) // as in Unfilm
		if !(a > 1) || math.IsInf(a, 0) {
			continue
		}
		apart := (r2 - r1) / seethrough
		f.hidden[band] = hidden{surface.Measured(a - math.Sqrt(a*a-1)), 1 / (1 + apart*apart)}
	}
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

func (p Prior) valid() error {
	for _, v := range [...]float64{p.Noise, p.Through, p.ScatterLevel, p.ScatterStep, p.ScatterBend, p.AbsorbBend, p.WhiteStep, p.WhiteBend, p.Strength} {
		if !(v > 0) || math.IsInf(v, 0) {
			return fmt.Errorf("a standard deviation of the prior is %g: it must be above 0, as in the usual prior", v)
		}
	}
	if math.IsNaN(p.Scatter) || math.IsInf(p.Scatter, 0) {
		return errors.New("the prior's mean scattering is not a number: give a logarithm, as in the usual prior")
	}
	return nil
}

// film checks one sample.
func (c *calibration) film(at int, sample Drawdown) (film, error) {
	f := film{thick: -1}
	wrong := func(reading int, field, format string, args ...any) error {
		return &DrawdownError{at, reading, field, fmt.Sprintf(format, args...)}
	}
	if len(sample.Parts) != len(c.toners) {
		return f, wrong(-1, "parts", "the sample has %d parts for %d toners: give one for each, 0 where there is none", len(sample.Parts), len(c.toners))
	}
	whole, largest := 0.0, 0.0
	for i, part := range sample.Parts {
		if math.IsNaN(part) || math.IsInf(part, 0) || part < 0 {
			return f, wrong(-1, "parts", "the amount of %s is %g: it must be 0 or above", c.toners[i], part)
		}
		whole += part
		largest = math.Max(largest, part)
	}
	if !(whole > 0) || math.IsInf(whole, 0) {
		return f, wrong(-1, "parts", "the sample is empty: give at least one toner an amount above 0")
	}
	for i, part := range sample.Parts {
		if part > 0 {
			f.toners = append(f.toners, i)
			f.shares = append(f.shares, part/whole)
			f.errs = append(f.errs, 0)
		}
	}
	for i := range f.errs { // the largest, the first of two alike, is what the others are weighed against
		if f.shares[i] == largest/whole {
			f.errs[i] = -1
			break
		}
	}
	switch {
	case len(sample.Readings) == 0:
		return f, wrong(-1, "readings", "the sample has no reading: give one of a film that hides, or two over different grounds")
	case len(sample.Readings) > 2:
		return f, wrong(-1, "readings", "the sample has %d readings: give one of a film that hides, or two over different grounds", len(sample.Readings))
	}
	grounded := 0
	for i, r := range sample.Readings {
		if r.Spectrum.Grid().Count == 0 {
			return f, wrong(i, "spectrum", "the reading has no spectrum: give it")
		}
		values, err := r.Spectrum.Resample(c.grid)
		if err != nil {
			return f, wrong(i, "spectrum", "%s", err)
		}
		read := values.Values()
		for j, m := range read {
			read[j] = math.Max(0, m) // interpolation may dip a hair below 0
			if r, err := c.surface.Within(read[j]); err != nil {
				return f, wrong(i, "spectrum", "the reading at %g nm: %s", c.grid.Wavelength(j), err)
			} else if r == 0 {
				return f, wrong(i, "spectrum", "the reading at %g nm shows no light from within the paint, so its strength cannot be told: use a smaller k1, or say that gloss was excluded", c.grid.Wavelength(j))
			}
		}
		f.read = append(f.read, read)
		if r.Over.Grid().Count == 0 {
			continue
		}
		grounded++
		within, err := (&Palette{grid: c.grid, surface: c.surface}).within(r.Over, "the ground")
		if err != nil {
			return f, wrong(i, "over", "%s", err)
		}
		f.grounds = append(f.grounds, within)
	}
	switch {
	case grounded == 0 && len(f.read) == 2:
		return f, wrong(1, "over", "two readings need their grounds: give both, or one reading of a film that hides")
	case grounded == 1 && len(f.read) == 1:
		return f, wrong(0, "over", "one reading over a ground does not tell how much of it is the ground: give a second over another ground, or leave the ground out if the film hides")
	case grounded == 1:
		return f, wrong(-1, "readings", "one reading has a ground and the other has none: give both grounds")
	case grounded == 2:
		apart := 0.0
		for j := range f.grounds[0] {
			apart = math.Max(apart, math.Abs(f.grounds[0][j]-f.grounds[1][j]))
		}
		if apart < 0.05 {
			return f, wrong(-1, "readings", "%s", errAlike)
		}
		f.thick = 0
	}
	f.asHidden(c.surface)
	return f, nil
}

// refuse names a toner of which nothing can be known: it is in no sample, or always with the same company in the same
// proportion, so that only the mixture is known.
func (c *calibration) refuse() error {
	for t, name := range c.toners {
		alone, in := false, 0
		var ratios [][]float64
		for _, f := range c.films {
			at := slices.Index(f.toners, t)
			if at < 0 {
				continue
			}
			in++
			alone = alone || len(f.toners) == 1
			row := make([]float64, len(c.toners))
			for i, toner := range f.toners {
				row[toner] = f.shares[i]
			}
			ratios = append(ratios, row)
		}
		if in == 0 {
			return &UndeterminedError{name, fmt.Sprintf("%s is in none of the samples: draw it down by itself and with white, and measure those", name)}
		}
		if alone {
			continue
		}
		// Never alone: at least one of the samples must differ from the first in more than what else is known.
		different := false
		for _, row := range ratios[1:] {
			for i := range row {
				different = different || math.Abs(row[i]-ratios[0][i]) > 1e-6
			}
		}
		if different {
			continue
		}
		unknown := ""
		for i, share := range ratios[0] {
			if i != t && share > 0 && !c.elsewhere(i, t) {
				unknown = c.toners[i]
			}
		}
		if unknown != "" {
			return &UndeterminedError{name, fmt.Sprintf("%s only comes in one mixture, and %s in no other either: draw one of them down by itself", name, unknown)}
		}
	}
	return nil
}

// elsewhere reports whether a toner is in any sample without the other.
func (c *calibration) elsewhere(toner, without int) bool {
	for _, f := range c.films {
		if slices.Contains(f.toners, toner) && !slices.Contains(f.toners, without) {
			return true
		}
	}
	return false
}

// mostEntries bounds the normal equations: forty toners with three hundred samples at 31 wavelengths take half of it.
const mostEntries = 5_000_000

// number gives every unknown its place and every row of the normal equations its first column.
func (c *calibration) number() error {
	block := 2 * len(c.toners)
	n := block * c.grid.Count
	for i := range c.grid.Count * block {
		c.first = append(c.first, max(0, (i/block-2)*block))
	}
	for i := range c.films {
		f := &c.films[i]
		if f.thick >= 0 {
			f.thick = n
			n++
		}
		for j, e := range f.errs {
			if e >= 0 {
				f.errs[j] = n
				n++
			}
		}
	}
	for len(c.first) < n {
		c.first = append(c.first, 0)
	}
	entries := 0
	for i, f := range c.first {
		if entries += i - f + 1; entries > mostEntries {
			return errors.New("that is too much to calibrate at once: take fewer toners with the white and the black, or readings every 10 nm")
		}
	}
	c.x = make([]float64, n)
	return nil
}

// k and s return where ln K and ln S of a toner stand at a wavelength.
func (c *calibration) k(band, toner int) int { return 2 * (band*len(c.toners) + toner) }
func (c *calibration) s(band, toner int) int { return c.k(band, toner) + 1 }

// start puts the unknowns where a fit can begin: S as the prior has it, K from the sample that holds most of the toner.
func (c *calibration) start() {
	for t := range c.toners {
		best, share := -1, 0.0
		for i, f := range c.films {
			if at := slices.Index(f.toners, t); at >= 0 && f.shares[at] > share {
				best, share = i, f.shares[at]
			}
		}
		f := c.films[best]
		for band := range c.grid.Count {
			s := 0.0
			if t != c.white {
				c.x[c.s(band, t)] = c.prior.Scatter
				s = c.prior.Scatter
			}
			q := opaqueRatio(f, c.surface, band)
			if share < 1 { // what else is there is taken to scatter alike and not to absorb
				q /= share
			}
			c.x[c.k(band, t)] = math.Log(math.Max(1e-4, math.Min(q, 1e3))) + s
		}
	}
	for i := range c.films {
		f := &c.films[i]
		if f.thick < 0 {
			continue
		}
		var all []float64
		for band := range c.grid.Count {
			r1, _ := c.surface.Within(f.read[0][band])
			r2, _ := c.surface.Within(f.read[1][band])
			if _, sx, err := Unfilm(r1, f.grounds[0][band], r2, f.grounds[1][band]); err == nil {
				_, s := c.mix(f, band)
				all = append(all, math.Log(sx/s))
			}
		}
		c.x[f.thick] = thickness
		if len(all) > 0 {
			slices.Sort(all)
			c.x[f.thick] = math.Max(-4, math.Min(all[len(all)/2], 4))
		}
	}
}

// terms appends the derivatives of a residual by the unknowns of a sample at one wavelength, from those by its K and S.
func (c *calibration) terms(terms []term, f *film, band int, byK, byS float64) []term {
	k, s := c.mix(f, band)
	own := math.Exp(c.x[c.s(band, c.white)])
	whole := 0.0
	for i := range f.toners {
		whole += c.part(f, i)
	}
	for i, t := range f.toners {
		share := c.part(f, i) / whole
		kt, st := own*math.Exp(c.x[c.k(band, t)]), own*c.scatter(band, t)
		terms = append(terms, term{c.k(band, t), byK * share * kt})
		if t != c.white {
			terms = append(terms, term{c.s(band, t), byS * share * st})
		}
		if f.errs[i] >= 0 {
			terms = append(terms, term{f.errs[i], share * (byK*(kt-k) + byS*(st-s))})
		}
	}
	return terms
}

const (
	thickness       = 1.5 // ln of a film's thickness in units of the white's 1/S, to begin with and at the middle of its prior
	thicknessSpread = 2.0 // and its standard deviation: as good as any thickness
	whiteLevel      = 1.0 // the same of the logarithm of the white's S, whose level the thicknesses carry
)

// opaqueRatio returns K/S of a sample at one wavelength as if it hid; over two grounds, of the reading in the middle.
func opaqueRatio(f film, surface Surface, band int) float64 {
	mean := 0.0
	for _, read := range f.read {
		r, _ := surface.Within(read[band]) // checked by film
		mean += r / float64(len(f.read))
	}
	mean = math.Max(mean, 1e-4)
	return (1 - mean) * (1 - mean) / (2 * mean)
}

// mix returns K and S of a sample at one wavelength.
func (c *calibration) mix(f *film, band int) (k, s float64) {
	whole := 0.0
	for i, t := range f.toners {
		share := c.part(f, i)
		whole += share
		k += share * math.Exp(c.x[c.k(band, t)])
		s += share * c.scatter(band, t)
	}
	own := math.Exp(c.x[c.s(band, c.white)])
	return k * own / whole, s * own / whole
}

// scatter returns S of a toner beside the white's.
func (c *calibration) scatter(band, toner int) float64 {
	if toner == c.white {
		return 1
	}
	return math.Exp(c.x[c.s(band, toner)])
}

// part returns the i-th share of a sample with its error of weighing, not yet divided by the whole.
func (c *calibration) part(f *film, i int) float64 {
	if f.errs[i] < 0 {
		return f.shares[i]
	}
	return f.shares[i] * math.Exp(c.x[f.errs[i]])
}

// lightness is 116 ∛R with the straight piece of CIELAB near 0, and its derivative.
func lightness(r float64) (v, by float64) {
	const edge = 6.0 / 29
	if r > edge*edge*edge {
		root := math.Cbrt(r)
		return 116 * root, 116 / (3 * root * root)
	}
	return 116 * (r/(3*edge*edge) + 4.0/29), 116 / (3 * edge * edge)
}

// term is one entry of a row of the linearised fit.
type term struct {
	at int
	by float64
}

// each calls visit for every residual of the fit, divided by its standard deviation, with its derivatives if asked for.
// data says whether it is a reading rather than a prior.
func (c *calibration) each(slopes bool, visit func(residual float64, terms []term, data bool)) {
	terms := make([]term, 0, 4*len(c.toners)+4)
	for i := range c.films {
		f := &c.films[i]
		for band := range c.grid.Count {
			k, s := c.mix(f, band)
			reading := func(measured, sd, r, byK, byS float64, more ...term) {
				want, _ := lightness(measured)
				got, slope := lightness(c.surface.Measured(r))
				lean := c.lean[band] / sd
				terms = terms[:0]
				if slopes {
					slope *= lean * c.surface.slope(r)
					terms = c.terms(terms, f, band, slope*byK, slope*byS)
					for _, m := range more {
						terms = append(terms, term{m.at, slope * m.by})
					}
				}
				visit(lean*(got-want), terms, true)
			}
			if m := f.hidden[band]; m.trust > 0 {
				r, byK, byS := opaqueSlopes(k, s)
				reading(m.measured, c.prior.Noise/m.trust, r, byK, byS)
			}
			if f.thick < 0 {
				continue
			}
			x := math.Exp(c.x[f.thick])
			for j, read := range f.read {
				r, byK, byS, byX := filmSlopes(k, s, x, f.grounds[j][band])
				reading(read[band], c.prior.Noise*c.prior.Through, r, byK, byS,
					term{c.s(band, c.white), byK*k + byS*s}, term{f.thick, byX * x})
			}
		}
		for _, e := range f.errs {
			if e >= 0 {
				visit(c.x[e]/c.prior.Strength, append(terms[:0], term{e, 1 / c.prior.Strength}), false)
			}
		}
		if f.thick >= 0 {
			visit((c.x[f.thick]-thickness)/thicknessSpread, append(terms[:0], term{f.thick, 1 / thicknessSpread}), false)
		}
	}
	// A step h of the grid takes a random walk √(h/10) as far as one of 10 nm, and its slope (h/10)^1.5.
	step := math.Sqrt(c.grid.Step / 10)
	bend := step * step * step
	// So that a finer grid does not say the level more often.
	often := math.Sqrt(math.Min(1, c.grid.Step/10))
	second := func(band int, at func(int, int) int, t int, sd float64) {
		if band+2 >= c.grid.Count {
			return
		}
		a, b, d := at(band, t), at(band+1, t), at(band+2, t)
		by := 1 / (sd * bend)
		visit(by*(c.x[a]-2*c.x[b]+c.x[d]), append(terms[:0], term{a, by}, term{b, -2 * by}, term{d, by}), false)
	}
	firstOf := func(band, t int, sd float64) {
		if band+1 >= c.grid.Count {
			return
		}
		a, b := c.s(band, t), c.s(band+1, t)
		by := 1 / (sd * step)
		visit(by*(c.x[b]-c.x[a]), append(terms[:0], term{a, -by}, term{b, by}), false)
	}
	for t := range c.toners {
		mean, level, stepSD, bendSD := c.prior.Scatter, c.prior.ScatterLevel, c.prior.ScatterStep, c.prior.ScatterBend
		if t == c.white {
			mean, level, stepSD, bendSD = 0, whiteLevel, c.prior.WhiteStep, c.prior.WhiteBend
		}
		for band := range c.grid.Count {
			at, by := c.s(band, t), often/level
			visit(by*(c.x[at]-mean), append(terms[:0], term{at, by}), false)
			firstOf(band, t, stepSD)
			second(band, c.s, t, bendSD)
			second(band, c.k, t, c.prior.AbsorbBend)
			// So weak that only a K that nothing at all tells comes to rest.
			at, by = c.k(band, t), often/absorbLevel
			visit(by*(c.x[at]-absorbMean), append(terms[:0], term{at, by}), false)
		}
	}
}

const absorbMean, absorbLevel = -2, 5.0 // ln K beside the white's S: as good as any absorption

// cost is half the sum of squares of all residuals.
func (c *calibration) cost() float64 {
	sum := 0.0
	c.each(false, func(r float64, _ []term, _ bool) { sum += r * r })
	return sum / 2
}

// misfit is the root mean square of the residuals of readings, in units of L*.
func (c *calibration) misfit() float64 {
	sum, n := 0.0, 0.0
	c.each(false, func(r float64, _ []term, data bool) {
		if data {
			sum += r * r
			n++
		}
	})
	return c.prior.Noise * math.Sqrt(sum/n)
}

// normal returns the normal equations at the present unknowns, and the gradient of the cost.
func (c *calibration) normal() (*skyline, []float64) {
	m, g := newSkyline(c.first), make([]float64, len(c.x))
	c.each(true, func(r float64, terms []term, _ bool) {
		for i, a := range terms {
			g[a.at] += a.by * r
			for _, b := range terms[:i+1] {
				m.add(a.at, b.at, a.by*b.by)
			}
		}
	})
	return m, g
}

const (
	mostSteps = 60
	settled   = 2e-6 // of the cost, from one step to the next
)

// fit brings the unknowns to the least cost by Levenberg's and Marquardt's steps.
func (c *calibration) fit() error {
	lift, cost := 1e-3, c.cost()
	for range mostSteps {
		m, g := c.normal()
		before := slices.Clone(c.x)
		stepped := false
		for range 12 {
			l, ok := m.factor(lift)
			if ok {
				step := slices.Clone(g)
				l.solve(step)
				for i, s := range step {
					c.x[i] = before[i] - math.Max(-2, math.Min(2, s)) // e² at once is as far as a straight line can be trusted
				}
				if now := c.cost(); now < cost {
					done := cost-now < settled*(1+cost)
					cost, stepped, lift = now, true, math.Max(lift/8, 1e-12)
					if done {
						return nil
					}
					break
				}
				copy(c.x, before)
			}
			lift = math.Max(lift*8, 1e-9)
		}
		if !stepped {
			break
		}
	}
	if math.IsNaN(cost) || math.IsInf(cost, 0) {
		return errors.New("the samples lead to no toner data that are numbers: check that each reading belongs to its sample")
	}
	return nil
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
