package pigment

import (
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
