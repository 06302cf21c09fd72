package pigment

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/colour"
)

// The surface with which pigment_unit_ks.csv was derived.
var openSurface = Surface{K1: 0.02, K2: 0.60}

func openPalette(t testing.TB) *Palette {
	t.Helper()
	p, err := NewPalette(openPigments(t), openSurface)
	require.NoError(t, err)
	return p
}

// pigment_fit_errors.csv: ΔE00 (D65/10) between the prediction from pigment_unit_ks.csv and R∞ of each measured film,
// which comes from the readings over black and white, computed by the maker of the file with another program. Its
// spectra went to 5 nm on straight lines, ours do not: hence a tolerance of 0.1.
func TestPredictionAgainstFitErrors(t *testing.T) {
	palette := openPalette(t)
	weights := d65(t)
	overBlack, overWhite := measured(t, "paint_over_black"), measured(t, "paint_over_white")
	black, white := measured(t, "bare_black"), measured(t, "bare_white")
	composition := map[string][]float64{}
	for _, row := range table(t, "pigment_mixtures_composition.csv") {
		if composition[row["sample"]] == nil {
			composition[row["sample"]] = make([]float64, 16)
		}
		for i, name := range palette.Names() {
			if name == row["component"] {
				composition[row["sample"]][i] = number(t, row, "percent")
			}
		}
	}
	rows := table(t, "pigment_fit_errors.csv")
	require.Len(t, rows, 57)
	for _, row := range rows {
		sample := row["sample"]
		got, err := palette.Predict(composition[sample], Coat{})
		require.NoError(t, err)
		opaque := make([]float64, 31)
		for i := range opaque {
			read := [4]float64{}
			for j, s := range [...]colour.Spectrum{overBlack[sample], black[sample], overWhite[sample], white[sample]} {
				read[j], err = openSurface.Within(s.Values()[i])
				require.NoError(t, err)
			}
			opaque[i] = openSurface.Measured(opaqueOf(read))
		}
		d := colour.DeltaE2000(weights.Lab(opaque), weights.Lab(got.Values()))
		assert.InDelta(t, number(t, row, "dE00_d65_10"), d, 0.1, sample)
	}
}

// opaqueOf returns R∞ from a film's reflectance over two grounds, over1, ground1, over2, ground2, by the form for the
// opaque limit; it needs no thickness, so it also serves where Unfilm says that the film hides too well.
func opaqueOf(r [4]float64) float64 {
	d1, d2 := r[0]-r[1], r[2]-r[3]
	a := ((1+r[0]*r[1])*d2 - (1+r[2]*r[3])*d1) / ((r[0]+r[1])*d2 - (r[2]+r[3])*d1)
	return a - math.Sqrt(math.Max(0, a*a-1))
}

func TestPredictKnownMixtures(t *testing.T) {
	flat := func(name string, k, s float64) Pigment {
		p := Pigment{Name: name, Grid: colour.Paint()}
		for range 31 {
			p.K, p.S = append(p.K, k), append(p.S, s)
		}
		return p
	}
	// A white with K 0 and a black with S 0: the mixture's K and S are the shares, and the film is the worked table's.
	palette, err := NewPalette([]Pigment{flat("white", 0, 1), flat("black", 1, 0)}, Surface{K1: 0.04, K2: 0.6})
	require.NoError(t, err)
	got, err := palette.Predict([]float64{300, 100}, Coat{})
	require.NoError(t, err)
	q := 1.0 / 3
	want := palette.Surface().Measured(1 + q - math.Sqrt(q*q+2*q))
	assert.InDelta(t, want, got.At(550), 1e-12)
	more, err := palette.Predict([]float64{3, 1}, Coat{})
	require.NoError(t, err)
	assert.Equal(t, got, more, "only proportions count")

	alone, err := palette.Predict([]float64{0, 1}, Coat{})
	require.NoError(t, err)
	assert.InDelta(t, 0.04, alone.At(550), 1e-12, "a black that does not scatter shows its surface only")

	// Worked film: K 0.5, S 2, X 1 over 0.8 is 0.5184406245, from km_film_worked.csv.
	palette, err = NewPalette([]Pigment{flat("grey", 0.5, 2)}, Surface{})
	require.NoError(t, err)
	film, err := palette.Predict([]float64{1}, Coat{Thickness: 1, Ground: grey(t, 0.8)})
	require.NoError(t, err)
	assert.InDelta(t, 0.5184406245, film.At(550), 1e-10)
}

func TestSensitivityAgainstDifferences(t *testing.T) {
	palette, weights := openPalette(t), d65(t)
	labOf := func(t require.TestingT, parts []float64, coat Coat) colour.Lab {
		s, err := palette.Predict(parts, coat)
		require.NoError(t, err)
		return weights.Lab(s.Values())
	}
	rapid.Check(t, func(rt *rapid.T) {
		parts := rapid.SliceOfN(rapid.Float64Range(0.5, 100), 16, 16).Draw(rt, "parts")
		coat := Coat{}
		if rapid.Bool().Draw(rt, "film") {
			coat = Coat{Thickness: rapid.Float64Range(0.1, 5).Draw(rt, "thickness"), Ground: grey(t, rapid.Float64Range(0.05, 0.9).Draw(rt, "ground"))}
		}
		got, err := palette.Sensitivity(parts, coat, weights)
		require.NoError(rt, err)
		lab := labOf(rt, parts, coat)
		require.InDelta(rt, 0, colour.DeltaE76(lab, got.Lab), 1e-10)
		var sum colour.Lab
		for i, slope := range got.Slopes {
			h := 1e-5 * (1 + parts[i])
			parts[i] += h
			up := labOf(rt, parts, coat)
			parts[i] -= 2 * h
			down := labOf(rt, parts, coat)
			parts[i] += h
			difference := colour.Lab{L: (up.L - down.L) / (2 * h), A: (up.A - down.A) / (2 * h), B: (up.B - down.B) / (2 * h)}
			require.InDelta(rt, 0, colour.DeltaE76(difference, slope), 1e-5*(1+difference.Chroma()), "toner %d", i)
			sum.L += parts[i] * slope.L
			sum.A += parts[i] * slope.A
			sum.B += parts[i] * slope.B
		}
		require.InDelta(rt, 0, colour.DeltaE76(colour.Lab{}, sum), 1e-9, "more of everything changes nothing")
	})
}

func TestPredictRefusesBadInput(t *testing.T) {
	good := openPigments(t)
	change := func(f func(p []Pigment)) error {
		fresh := openPigments(t)
		f(fresh)
		_, err := NewPalette(fresh, openSurface)
		return err
	}
	for says, err := range map[string]error{
		"zinc_white is given twice: give each toner once":                                   change(func(p []Pigment) { p[1].Name = p[0].Name }),
		"a toner with colour data has no name: give it one":                                 change(func(p []Pigment) { p[1].Name = "" }),
		"K of zinc_white at 410 nm is -1: it must be 0 or above":                            change(func(p []Pigment) { p[0].K[1] = -1 }),
		"S of zinc_white at 400 nm is NaN: it must be 0 or above":                           change(func(p []Pigment) { p[0].S[0] = math.NaN() }),
		"zinc_white has 30 values of S for 31 wavelengths: give one for each":               change(func(p []Pigment) { p[0].S = p[0].S[1:] }),
		"zinc_white: the spectrum's step is 0 nm: it must be from 0.1 to 20 nm, usually 10": change(func(p []Pigment) { p[0].Grid.Step = 0 }),
	} {
		assert.EqualError(t, err, says)
	}
	err := change(func(p []Pigment) {
		p[1].Grid = colour.Grid{Start: 380, Step: 10, Count: 33}
		p[1].K, p[1].S = append(p[1].K, 1, 1), append(p[1].S, 1, 1)
	})
	assert.ErrorContains(t, err, "are on different wavelengths")
	var at *DataError
	require.ErrorAs(t, change(func(p []Pigment) { p[0].S[7] = math.Inf(1) }), &at)
	assert.Equal(t, "s", at.Field)
	assert.Equal(t, 7, at.Index)
	_, err = NewPalette(nil, openSurface)
	assert.Error(t, err)
	_, err = NewPalette(good, Surface{K1: 2})
	assert.Error(t, err)

	clear := Pigment{Name: "clear", Grid: colour.Paint(), K: make([]float64, 31), S: make([]float64, 31)}
	palette, err := NewPalette([]Pigment{good[0], clear}, openSurface)
	require.NoError(t, err)
	for says, in := range map[string]struct {
		parts []float64
		coat  Coat
	}{
		"the mixture has 1 parts for 2 toners: give one for each, 0 where there is none":                                    {parts: []float64{1}},
		"the mixture is empty: give at least one toner an amount above 0":                                                   {parts: []float64{0, 0}},
		"the amount of clear is -1: it must be 0 or above":                                                                  {parts: []float64{1, -1}},
		"the amount of clear is NaN: it must be 0 or above":                                                                 {parts: []float64{1, math.NaN()}},
		"there is a thickness but no ground under the film: give the ground, or leave out the thickness for an opaque film": {parts: []float64{1, 1}, coat: Coat{Thickness: 1}},
		"there is a ground but no thickness of the film over it: give the thickness, or leave out the ground for an opaque film": {
			parts: []float64{1, 1}, coat: Coat{Ground: grey(t, 0.5)},
		},
		"the film's thickness is -1: it must be above 0": {parts: []float64{1, 1}, coat: Coat{Thickness: -1, Ground: grey(t, 0.5)}},
		"the ground at 400 nm: a reflectance of 0.01 is darker than the surface alone: use a smaller k1, or say that gloss was excluded": {
			parts: []float64{1, 1}, coat: Coat{Thickness: 1, Ground: grey(t, 0.01)},
		},
		"this mixture neither absorbs nor scatters at 400 nm, so it never becomes opaque: give a thickness and a ground": {parts: []float64{0, 1}},
	} {
		_, err := palette.Predict(in.parts, in.coat)
		assert.EqualError(t, err, says)
		_, err = palette.Sensitivity(in.parts, in.coat, d65(t))
		assert.EqualError(t, err, says)
	}
	other, err := colour.NewWeights(colour.Grid{Start: 380, Step: 10, Count: 33}, colour.D65, colour.TenDegrees)
	require.NoError(t, err)
	_, err = palette.Sensitivity([]float64{1, 1}, Coat{}, other)
	assert.ErrorContains(t, err, "different wavelengths")
}

var sink float64

func BenchmarkSensitivity(b *testing.B) {
	palette, weights := openPalette(b), d65(b)
	parts := make([]float64, 16)
	for i := range parts {
		parts[i] = float64(i + 1)
	}
	b.ReportAllocs()
	for b.Loop() {
		s, err := palette.Sensitivity(parts, Coat{}, weights)
		if err != nil {
			b.Fatal(err)
		}
		sink = s.Lab.L
	}
}
