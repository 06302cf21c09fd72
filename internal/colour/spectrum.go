package colour

import (
	"math"
	"slices"
)

// The range over which colour is summed (ASTM E308), and the table sizes that follow from it.
const (
	shortest    = 360
	longest     = 780
	wavelengths = longest - shortest + 1   // at 1 nm
	fifths      = (longest-shortest)/5 + 1 // at 5 nm
	mustStartBy = 400                      // a grid that starts later misses bands that colour needs
	mustReach   = 700                      // and so does one that ends earlier
	widestStep  = 20                       // the widest step that ASTM E308 knows
	finestStep  = 0.1                      // finer than any instrument
	gridSlack   = 1e-6                     // nm; keeps 0.1 + 0.2 from being a wrong grid
)

// Grid is a regular row of wavelengths: Start, Start+Step … in nanometres, Count of them.
type Grid struct {
	Start, Step float64
	Count       int
}

// Paint is the grid of the colour data of toners: 400 to 700 nm every 10 nm.
func Paint() Grid { return Grid{Start: 400, Step: 10, Count: 31} }

// End returns the last wavelength.
func (g Grid) End() float64 { return g.Start + g.Step*float64(g.Count-1) }

// Wavelength returns the i-th wavelength, counted from 0.
func (g Grid) Wavelength(i int) float64 { return g.Start + g.Step*float64(i) }

// Valid returns nil for a grid from which colour can be computed: a step of 0.1 to 20 nm, all of it between 360 and
// 780 nm, and no part of 400 to 700 nm missing. The error is an *InputError.
func (g Grid) Valid() error {
	switch {
	case !finite(g.Start):
		return wrong("start", -1, "the spectrum's start is not a number: give it in nanometres")
	case !finite(g.Step):
		return wrong("step", -1, "the spectrum's step is not a number: give it in nanometres")
	case g.Step < finestStep || g.Step > widestStep:
		return wrong("step", -1, "the spectrum's step is %s nm: it must be from %s to %d nm, usually 10", trim(g.Step), trim(finestStep), widestStep)
	case g.Count < 2:
		return wrong("values", -1, "the spectrum has %d values: give one for each wavelength from 400 to 700 nm at least", max(0, g.Count))
	case g.Start < shortest-gridSlack:
		return wrong("start", -1, "the spectrum starts at %s nm: leave out what lies below %d nm", trim(g.Start), shortest)
	case g.End() > longest+gridSlack:
		return wrong("values", -1, "the spectrum ends at %s nm (%d values from %s nm every %s nm): leave out what lies above %d nm, or correct start and step",
			trim(g.End()), g.Count, trim(g.Start), trim(g.Step), longest)
	case g.Start > mustStartBy+gridSlack:
		return wrong("start", -1, "the spectrum starts at %s nm, so bands are missing: it must start at %d nm or below", trim(g.Start), mustStartBy)
	case g.End() < mustReach-gridSlack:
		return wrong("values", -1, "the spectrum ends at %s nm (%d values from %s nm every %s nm), so bands are missing: it must reach %d nm",
			trim(g.End()), g.Count, trim(g.Start), trim(g.Step), mustReach)
	}
	return nil
}

// Spectrum is a reflectance factor over wavelength, 1 for the perfect diffuser.
type Spectrum struct {
	grid   Grid
	values []float64
}

// NewSpectrum returns the spectrum whose first value belongs to start, with one value every step nanometres.
// Values are reflectance factors from 0 to 1. Anything else is an *InputError: per cent, a value above
// 1 or below 0, one that is not a number, a grid on which colour cannot be computed.
func NewSpectrum(start, step float64, values []float64) (Spectrum, error) {
	return newSpectrum(start, step, values, 1)
}

// brightest is the largest reflectance factor taken for a reading of flake near the mirror direction.
// Common practice, no source: bright silver reads about 2 to 4 at 15 degrees.
const brightest = 10

// NewFlakeSpectrum is NewSpectrum for a reading of flake near the mirror direction, where the reflectance factor
// rises above that of the perfect diffuser: values from 0 to 10.
func NewFlakeSpectrum(start, step float64, values []float64) (Spectrum, error) {
	return newSpectrum(start, step, values, brightest)
}

func newSpectrum(start, step float64, values []float64, top float64) (Spectrum, error) {
	grid := Grid{start, step, len(values)}
	if err := grid.Valid(); err != nil {
		return Spectrum{}, err
	}
	largest := slices.Max(values) // NaN if any is
	for i, v := range values {
		nm := trim(grid.Wavelength(i))
		switch {
		case !finite(v):
			return Spectrum{}, wrong("values", i, "the reflectance at %s nm is not a number: a missing band must be measured again", nm)
		case v < 0:
			return Spectrum{}, wrong("values", i, "the reflectance at %s nm is %s: it cannot be below 0, so calibrate the instrument on its black and read again", nm, trim(v))
		case v > top && largest > 1.5*top: // nothing diffuse is half as bright again as white, so this is a unit
			return Spectrum{}, wrong("values", i, "the reflectance at %s nm is %s, which looks like per cent: divide all values by 100", nm, trim(v))
		case v > top:
			return Spectrum{}, wrong("values", i, "the reflectance at %s nm is %s: it cannot be above %s, so calibrate the instrument on its white and read again", nm, trim(v), trim(top))
		}
	}
	return Spectrum{grid, slices.Clone(values)}, nil
}

// Grid returns the wavelengths of the spectrum.
func (s Spectrum) Grid() Grid { return s.grid }

// Values returns a copy of the reflectance factors.
func (s Spectrum) Values() []float64 { return slices.Clone(s.values) }

// At returns the reflectance factor at a wavelength in nanometres, by the interpolation of ASTM E2022: a third-degree
// Lagrange polynomial through the four nearest wavelengths, second-degree in the first and the last interval.
// Beyond either end the end value is held (ASTM E308). Near a steep edge the curve can leave 0 to 1 by a hair; it is
// not cut off, as the sums over it would then be biased. The zero Spectrum is 0 everywhere.
func (s Spectrum) At(nm float64) float64 {
	if len(s.values) == 0 {
		return 0
	}
	first, weights := s.grid.around(nm)
	v := 0.0
	for k, w := range weights {
		if w != 0 {
			v += w * s.values[first+k]
		}
	}
	return v
}

// Resample returns the spectrum on another grid, by the interpolation of At.
// A grid that is not Valid is an error.
func (s Spectrum) Resample(to Grid) (Spectrum, error) {
	if err := to.Valid(); err != nil {
		return Spectrum{}, err
	}
	if to == s.grid {
		return s, nil
	}
	values := make([]float64, to.Count)
	for i := range values {
		values[i] = s.At(to.Wavelength(i))
	}
	return Spectrum{to, values}, nil
}

// around returns the Lagrange weights with which up to four neighbours, from index first on, make the value at nm.
func (g Grid) around(nm float64) (first int, weights [4]float64) {
	at := (nm - g.Start) / g.Step
	last := g.Count - 1
	nearest := math.Round(at)
	switch {
	case at <= 0:
		return 0, [4]float64{1}
	case at >= float64(last):
		return last, [4]float64{1}
	case math.Abs(at-nearest) < gridSlack:
		return int(nearest), [4]float64{1}
	}
	interval := int(math.Floor(at))
	points := 4
	first = interval - 1
	if interval == 0 {
		first, points = 0, 3
	} else if interval == last-1 {
		first, points = last-2, 3
	}
	if last < 2 { // two points only: a straight line
		first, points = 0, 2
	}
	x := at - float64(first)
	for j := range points {
		w := 1.0
		for m := range points {
			if m != j {
				w *= (x - float64(m)) / float64(j-m)
			}
		}
		weights[j] = w
	}
	return first, weights
}
