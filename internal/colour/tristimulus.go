package colour

import "math"

// Weights turn the values of a spectrum into tristimulus values for one grid, illuminant and observer:
// X = Σ x_i R_i, and so on. They are made once and used for many spectra.
//
// How they are made (ASTM E308 and E2022):
//   - Data at multiples of 5 nm every 5 nm are summed as they are with the 5 nm tables of illuminant and observer.
//   - Data on any other grid are interpolated to 1 nm as Spectrum.At does (ASTM E2022, the rule behind the 10 and 20 nm
//     tables of E308) and summed with the 1 nm observer and the illuminant on straight lines between its 5 nm values.
//   - In both, what lies beyond the ends of the data, down to 360 and up to 780 nm, goes to the end values.
//   - The three columns are scaled to sum to the published white point, as those of E308's tables do, so that the
//     perfect diffuser is exactly L* 100. That changes them by less than 3 parts in 10 000 at 5 nm. At 1 nm the
//     fluorescent tubes and the LED, whose tables are meant to be summed at 5 nm, change by up to 1.6 parts in 1000.
//
// The printed tables of the standard were not at hand and are not used.
type Weights struct {
	grid   Grid
	white  XYZ
	factor [][3]float64
}

// NewWeights returns the weights for one grid, illuminant and observer.
// A grid that is not Valid, or a light or observer that is not known, is an error.
func NewWeights(grid Grid, illuminant Illuminant, observer Observer) (Weights, error) {
	if err := grid.Valid(); err != nil {
		return Weights{}, err
	}
	l, err := illuminant.light()
	if err != nil {
		return Weights{}, err
	}
	matching, err := observer.matching()
	if err != nil {
		return Weights{}, err
	}
	w := Weights{grid, l.whiteFor(observer, matching), make([][3]float64, grid.Count)}
	add := func(nm int, power float64) {
		first, share := grid.around(float64(nm))
		for k, s := range share {
			if s == 0 {
				continue
			}
			for c := range 3 {
				w.factor[first+k][c] += s * power * matching[nm-shortest][c]
			}
		}
	}
	if grid.everyFifth() {
		for k, power := range l.power {
			add(shortest+5*k, power)
		}
	} else {
		for k, power := range everyNanometre(&l.power) {
			add(shortest+k, power)
		}
	}
	var sum [3]float64
	for _, f := range w.factor {
		for c := range sum {
			sum[c] += f[c]
		}
	}
	for i := range w.factor {
		w.factor[i][0] *= w.white.X / sum[0]
		w.factor[i][1] *= w.white.Y / sum[1]
		w.factor[i][2] *= w.white.Z / sum[2]
	}
	return w, nil
}

// everyFifth reports whether the grid is that of the 5 nm tables.
func (g Grid) everyFifth() bool {
	return math.Abs(g.Step-5) < gridSlack && math.Abs(math.Remainder(g.Start, 5)) < gridSlack
}

// Grid returns the grid that the weights are for.
func (w Weights) Grid() Grid { return w.grid }

// White returns the white point: what a reflectance of 1 everywhere gives.
func (w Weights) White() XYZ { return w.white }

// Factor returns what one unit of reflectance at the i-th wavelength adds to X, Y and Z.
func (w Weights) Factor(i int) XYZ { return XYZ{w.factor[i][0], w.factor[i][1], w.factor[i][2]} }

// XYZ returns the tristimulus values of reflectance values on the weights' grid, and allocates nothing.
// It panics if there are not exactly as many values as wavelengths, which is a fault of the program.
func (w Weights) XYZ(values []float64) XYZ {
	if len(values) != len(w.factor) {
		panic("colour: spectrum and weights are on different grids")
	}
	var sum XYZ
	for i, v := range values {
		sum.X += w.factor[i][0] * v
		sum.Y += w.factor[i][1] * v
		sum.Z += w.factor[i][2] * v
	}
	return sum
}

// Lab returns CIELAB of reflectance values on the weights' grid; see XYZ.
func (w Weights) Lab(values []float64) Lab { return w.XYZ(values).Lab(w.white) }

// XYZ returns the tristimulus values of the spectrum, Y of the white 100. An unknown light or observer is an error.
func (s Spectrum) XYZ(illuminant Illuminant, observer Observer) (XYZ, error) {
	w, err := NewWeights(s.grid, illuminant, observer)
	if err != nil {
		return XYZ{}, err
	}
	return w.XYZ(s.values), nil
}

// Lab returns CIELAB of the spectrum. An unknown light or observer is an error.
func (s Spectrum) Lab(illuminant Illuminant, observer Observer) (Lab, error) {
	w, err := NewWeights(s.grid, illuminant, observer)
	if err != nil {
		return Lab{}, err
	}
	return w.Lab(s.values), nil
}

// everyNanometre interpolates a 5 nm table to 1 nm on straight lines.
func everyNanometre(fifth *[fifths]float64) [wavelengths]float64 {
	var out [wavelengths]float64
	for i := range out {
		k, rest := i/5, float64(i%5)/5
		out[i] = fifth[k]
		if rest > 0 {
			out[i] += rest * (fifth[k+1] - fifth[k])
		}
	}
	return out
}
