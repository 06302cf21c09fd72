package colour_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/colour"
)

func TestSpectrumRefusesBadInput(t *testing.T) {
	flat := func(n int, v float64) []float64 {
		values := make([]float64, n)
		for i := range values {
			values[i] = v
		}
		return values
	}
	with := func(i int, v float64) []float64 {
		values := flat(31, 0.5)
		values[i] = v
		return values
	}
	for name, bad := range map[string]struct {
		start, step float64
		values      []float64
		says        string
	}{
		"per cent":         {400, 10, flat(31, 43), "the reflectance at 400 nm is 43, which looks like per cent: divide all values by 100"},
		"dark per cent":    {400, 10, flat(31, 2.1), "the reflectance at 400 nm is 2.1, which looks like per cent: divide all values by 100"},
		"above one":        {400, 10, with(3, 1.02), "the reflectance at 430 nm is 1.02: it cannot be above 1, so calibrate the instrument on its white and read again"},
		"below zero":       {400, 10, with(30, -0.01), "the reflectance at 700 nm is -0.01: it cannot be below 0, so calibrate the instrument on its black and read again"},
		"not a number":     {400, 10, with(1, math.NaN()), "the reflectance at 410 nm is not a number: a missing band must be measured again"},
		"infinite":         {400, 10, with(1, math.Inf(1)), "the reflectance at 410 nm is not a number: a missing band must be measured again"},
		"missing at end":   {400, 10, flat(30, 0.5), "the spectrum ends at 690 nm (30 values from 400 nm every 10 nm), so bands are missing: it must reach 700 nm"},
		"missing at start": {410, 10, flat(30, 0.5), "the spectrum starts at 410 nm, so bands are missing: it must start at 400 nm or below"},
		"too short":        {350, 10, flat(36, 0.5), "the spectrum starts at 350 nm: leave out what lies below 360 nm"},
		"too long":         {400, 10, flat(40, 0.5), "the spectrum ends at 790 nm (40 values from 400 nm every 10 nm): leave out what lies above 780 nm, or correct start and step"},
		"wide step":        {400, 50, flat(7, 0.5), "the spectrum's step is 50 nm: it must be from 0.1 to 20 nm, usually 10"},
		"step back":        {700, -10, flat(31, 0.5), "the spectrum's step is -10 nm: it must be from 0.1 to 20 nm, usually 10"},
		"no step":          {400, 0, flat(31, 0.5), "the spectrum's step is 0 nm: it must be from 0.1 to 20 nm, usually 10"},
		"no grid":          {math.NaN(), 10, flat(31, 0.5), "the spectrum's start is not a number: give it in nanometres"},
		"empty":            {400, 10, nil, "the spectrum has 0 values: give one for each wavelength from 400 to 700 nm at least"},
	} {
		_, err := colour.NewSpectrum(bad.start, bad.step, bad.values)
		require.EqualError(t, err, bad.says, name)
		var at *colour.InputError
		require.ErrorAs(t, err, &at, name)
		assert.Contains(t, []string{"start", "step", "values"}, at.Field, name)
	}
	_, err := colour.NewSpectrum(400, 10, with(3, 1.02))
	var at *colour.InputError
	require.ErrorAs(t, err, &at)
	assert.Equal(t, "values", at.Field)
	assert.Equal(t, 3, at.Index)
	_, err = colour.NewFlakeSpectrum(400, 10, with(3, 3.4))
	assert.NoError(t, err, "flake near the mirror direction is brighter than white")
	_, err = colour.NewFlakeSpectrum(400, 10, with(3, 43))
	assert.ErrorContains(t, err, "looks like per cent")
}

func TestUnknownLightsAreRefused(t *testing.T) {
	_, err := colour.ParseIlluminant("D75")
	assert.EqualError(t, err, `"D75" is not an illuminant known here: choose A, D50, D65, F2, F11 or LED-B3`)
	_, err = colour.ParseObserver("4")
	assert.EqualError(t, err, `"4" is not a standard observer: choose 2 or 10 degrees`)
	_, err = grey(t, 400, 10, 31, 0.5).Lab("", colour.TenDegrees)
	assert.Error(t, err)
	for _, light := range colour.Illuminants() {
		got, err := colour.ParseIlluminant(string(light))
		require.NoError(t, err)
		assert.Equal(t, light, got)
	}
}

func TestSpectrumKeepsItsValues(t *testing.T) {
	values := make([]float64, 31)
	spectrum, err := colour.NewSpectrum(400, 10, values)
	require.NoError(t, err)
	values[0] = 1
	spectrum.Values()[1] = 1
	assert.Zero(t, spectrum.At(400))
	assert.Zero(t, spectrum.At(410))
	assert.Zero(t, colour.Spectrum{}.At(500))
}

func grey(t testing.TB, start, step float64, count int, v float64) colour.Spectrum {
	t.Helper()
	values := make([]float64, count)
	for i := range values {
		values[i] = v
	}
	spectrum, err := colour.NewSpectrum(start, step, values)
	require.NoError(t, err)
	return spectrum
}

// ASTM E2022 interpolates with polynomials of the third degree inside and the second at the ends, so it must give
// back any such polynomial exactly; and beyond the ends the end value is held.
func TestInterpolationReproducesPolynomials(t *testing.T) {
	cubic := func(nm float64) float64 { x := (nm - 550) / 200; return 0.5 + 0.2*x - 0.1*x*x + 0.1*x*x*x }
	square := func(nm float64) float64 { x := (nm - 550) / 200; return 0.5 + 0.2*x - 0.1*x*x }
	sample := func(f func(float64) float64, start, step float64, count int) colour.Spectrum {
		values := make([]float64, count)
		for i := range values {
			values[i] = f(start + step*float64(i))
		}
		spectrum, err := colour.NewSpectrum(start, step, values)
		require.NoError(t, err)
		return spectrum
	}
	for _, step := range []float64{1, 3.5, 5, 10, 20} {
		count := int(340/step) + 1
		c, s := sample(cubic, 380, step, count), sample(square, 380, step, count)
		end := c.Grid().End()
		for nm := 380 + step; nm <= end-step; nm += 0.37 {
			assert.InDelta(t, cubic(nm), c.At(nm), 1e-12)
		}
		for nm := 380.0; nm <= end; nm += 0.37 {
			assert.InDelta(t, square(nm), s.At(nm), 1e-12)
		}
		assert.Equal(t, c.At(380), c.At(360))
		assert.Equal(t, c.At(end), c.At(780))
	}
}

func TestResample(t *testing.T) {
	values := columns(t, "chart24_spectra.csv")["p15_red"]
	fine, err := colour.NewSpectrum(380, 5, values)
	require.NoError(t, err)
	coarse, err := fine.Resample(colour.Paint())
	require.NoError(t, err)
	assert.Equal(t, colour.Grid{Start: 400, Step: 10, Count: 31}, coarse.Grid())
	for i, v := range coarse.Values() {
		assert.Equal(t, values[4+2*i], v, "a wavelength that is in both grids keeps its value")
	}
	_, err = fine.Resample(colour.Grid{Start: 500, Step: 10, Count: 10})
	assert.ErrorContains(t, err, "bands are missing")
}

// white_points.csv: the published white of each light and observer; for LED-B3, which has none, the 5 nm sum.
func TestWhitePoints(t *testing.T) {
	for _, row := range table(t, "white_points.csv") {
		light, observer := lightOfColumn[row["illuminant"]], colour.Observer(row["observer_deg"])
		suffix := "_published"
		if row["X_published"] == "" {
			suffix = "_sum_5nm"
		}
		want := colour.XYZ{X: number(t, row, "X"+suffix), Y: 100, Z: number(t, row, "Z"+suffix)}
		white, err := colour.White(light, observer)
		require.NoError(t, err)
		// A perfect diffuser must come out as the white on every grid.
		for _, s := range []colour.Spectrum{grey(t, 400, 10, 31, 1), grey(t, 380, 5, 81, 1), grey(t, 360, 1, 421, 1), grey(t, 360, 20, 22, 1), grey(t, 361.5, 3.5, 100, 1)} {
			got, err := s.XYZ(light, observer)
			require.NoError(t, err)
			for _, v := range []colour.XYZ{white, got} {
				assert.InDelta(t, want.X, v.X, 1e-3, "X of %s/%s", light, observer)
				assert.InDelta(t, want.Y, v.Y, 1e-3, "Y of %s/%s", light, observer)
				assert.InDelta(t, want.Z, v.Z, 1e-3, "Z of %s/%s", light, observer)
			}
		}
	}
}

var lightOfColumn = map[string]colour.Illuminant{
	"a": colour.A, "d50": colour.D50, "d65": colour.D65, "fl2": colour.F2, "fl11": colour.F11, "led_b3": colour.LEDB3,
}

func expectedLab(t testing.TB, row map[string]string) colour.Lab {
	return colour.Lab{L: number(t, row, "L"), A: number(t, row, "a"), B: number(t, row, "b")}
}

// chart24_expected.csv: 24 patches at 5 nm under six pairs of light and observer, by colour-science's ASTM E308.
// What is left (0.012 at D65/10) is our scaling to the published white.
func TestChartSpectra(t *testing.T) {
	spectra := columns(t, "chart24_spectra.csv")
	rows := table(t, "chart24_expected.csv")
	require.Len(t, rows, 144)
	for _, row := range rows {
		spectrum, err := colour.NewSpectrum(380, 5, spectra[row["patch"]])
		require.NoError(t, err)
		light, observer := lightOfColumn[row["illuminant"]], colour.Observer(row["observer_deg"])
		got, err := spectrum.Lab(light, observer)
		require.NoError(t, err)
		assert.Less(t, colour.DeltaE76(expectedLab(t, row), got), 0.015, "%s %s/%s", row["patch"], light, observer)
		xyz, err := spectrum.XYZ(light, observer)
		require.NoError(t, err)
		assert.InDelta(t, number(t, row, "X"), xyz.X, 0.02)
		assert.InDelta(t, number(t, row, "Y"), xyz.Y, 0.001)
		assert.InDelta(t, number(t, row, "Z"), xyz.Z, 0.02)
	}
}

// pigment_mixtures_expected_lab.csv: 72 measured films at 10 nm under D65, A and F11 (10 degrees), by the same
// reference. Under F11 the scaling to the published white makes up to 0.085 of what is left.
func TestTenNanometreSpectra(t *testing.T) {
	readings := map[string][]float64{}
	for _, row := range table(t, "pigment_mixtures_reflectance.csv") {
		if row["surface"] == "paint_over_white" {
			for nm := 400; nm <= 700; nm += 10 {
				readings[row["sample"]] = append(readings[row["sample"]], number(t, row, fmt.Sprintf("r%d", nm))/100)
			}
		}
	}
	limit := map[string]float64{"d65": 0.02, "a": 0.02, "fl11": 0.1}
	rows := table(t, "pigment_mixtures_expected_lab.csv")
	require.Len(t, rows, 216)
	for _, row := range rows {
		spectrum, err := colour.NewSpectrum(400, 10, readings[row["sample"]])
		require.NoError(t, err)
		got, err := spectrum.Lab(lightOfColumn[row["illuminant"]], colour.TenDegrees)
		require.NoError(t, err)
		assert.Less(t, colour.DeltaE76(expectedLab(t, row), got), limit[row["illuminant"]], "%s %s", row["sample"], row["illuminant"])
	}
}

// A grey spectrum is a grey colour whose lightness follows from Y alone, under every light and on every grid.
func TestGreySpectrumIsGrey(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		v := rapid.Float64Range(0, 1).Draw(rt, "reflectance")
		light := rapid.SampledFrom(colour.Illuminants()).Draw(rt, "light")
		observer := rapid.SampledFrom([]colour.Observer{colour.TwoDegrees, colour.TenDegrees}).Draw(rt, "observer")
		step := rapid.SampledFrom([]float64{1, 2.5, 5, 7, 10, 20}).Draw(rt, "step")
		lab, err := grey(t, 380, step, int(math.Ceil(320/step))+1, v).Lab(light, observer)
		require.NoError(rt, err)
		assert.InDelta(rt, 0, lab.Chroma(), 1e-9)
		want := 116*math.Cbrt(v) - 16
		if v <= 216.0/24389 {
			want = v * 24389 / 27
		}
		assert.InDelta(rt, want, lab.L, 1e-9)
	})
}

func TestWeightsRefuseAnotherGrid(t *testing.T) {
	w, err := colour.NewWeights(colour.Paint(), colour.D65, colour.TenDegrees)
	require.NoError(t, err)
	assert.Panics(t, func() { w.XYZ(make([]float64, 30)) })
	assert.Equal(t, colour.Paint(), w.Grid())
	one := make([]float64, 31)
	one[12] = 1
	assert.Equal(t, w.Factor(12), w.XYZ(one))
}

// columns reads a CSV of spectra: name to values.
func columns(t testing.TB, name string) map[string][]float64 {
	out := map[string][]float64{}
	for _, row := range table(t, name) {
		for column := range row {
			out[column] = append(out[column], number(t, row, column))
		}
	}
	return out
}

func BenchmarkTristimulus(b *testing.B) {
	w, err := colour.NewWeights(colour.Paint(), colour.D65, colour.TenDegrees)
	require.NoError(b, err)
	values := grey(b, 400, 10, 31, 0.4).Values()
	b.Run("weights at hand", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			sink = w.Lab(values).L
		}
	})
	b.Run("weights made anew", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			w, err := colour.NewWeights(colour.Paint(), colour.D65, colour.TenDegrees)
			if err != nil {
				b.Fatal(err)
			}
			sink = w.Lab(values).L
		}
	})
}
