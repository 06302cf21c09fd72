package colour_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/colour"
)

func TestMetamerism(t *testing.T) {
	spectra := columns(t, "chart24_spectra.csv")
	patch := func(name string) colour.Spectrum {
		s, err := colour.NewSpectrum(380, 5, spectra[name])
		require.NoError(t, err)
		return s
	}
	red, moderate := patch("p15_red"), patch("p09_moderate_red")

	same, err := colour.Metamerism(red, red, colour.D65, colour.A, colour.TenDegrees)
	require.NoError(t, err)
	assert.Zero(t, same, "a colour has no metamerism with itself")

	// Two whites that differ by a grey filter change alike: the correction takes all of it out.
	bright, dim := grey(t, 400, 10, 31, 0.8), grey(t, 400, 10, 31, 0.7)
	alike, err := colour.Metamerism(bright, dim, colour.D65, colour.F11, colour.TenDegrees)
	require.NoError(t, err)
	assert.InDelta(t, 0, alike, 1e-9)

	// A pair that matches under D65 needs no correction: the index is then the plain ΔE00 under the other light.
	// The pair: grey, and grey plus a curve that adds nothing to X, Y or Z under D65.
	standard, sample := metamer(t)
	under := func(light colour.Illuminant) float64 {
		a, err := standard.Lab(light, colour.TenDegrees)
		require.NoError(t, err)
		b, err := sample.Lab(light, colour.TenDegrees)
		require.NoError(t, err)
		return colour.DeltaE2000(a, b)
	}
	require.InDelta(t, 0, under(colour.D65), 1e-6)
	index, err := colour.Metamerism(standard, sample, colour.D65, colour.A, colour.TenDegrees)
	require.NoError(t, err)
	assert.InDelta(t, under(colour.A), index, 1e-6)
	assert.Greater(t, index, 0.5)

	_, err = colour.Metamerism(red, moderate, colour.D65, "D99", colour.TenDegrees)
	assert.Error(t, err)
	_, err = colour.Metamerism(red, grey(t, 400, 10, 31, 0), colour.D65, colour.A, colour.TenDegrees)
	assert.EqualError(t, err, "metamerism cannot be told for a sample that reflects nothing: measure it again")
}

// metamer returns a grey and a spectrum of the same colour under D65/10: a wave with its part in the span of the
// three weight columns taken out by Gram and Schmidt.
func metamer(t *testing.T) (standard, sample colour.Spectrum) {
	t.Helper()
	w, err := colour.NewWeights(colour.Paint(), colour.D65, colour.TenDegrees)
	require.NoError(t, err)
	var basis [][]float64
	dot := func(a, b []float64) (s float64) {
		for i := range a {
			s += a[i] * b[i]
		}
		return s
	}
	without := func(v []float64) []float64 {
		for _, b := range basis {
			share := dot(v, b) / dot(b, b)
			for i := range v {
				v[i] -= share * b[i]
			}
		}
		return v
	}
	columns := [3][]float64{}
	wave := make([]float64, 31)
	for i := range 31 {
		f := w.Factor(i)
		columns[0], columns[1], columns[2] = append(columns[0], f.X), append(columns[1], f.Y), append(columns[2], f.Z)
		wave[i] = 0.2 * float64(1-i/5%2*2) // up and down every 50 nm
	}
	for _, c := range columns {
		basis = append(basis, without(c))
	}
	wave = without(wave)
	grey := make([]float64, 31)
	for i := range grey {
		grey[i] = 0.5
		wave[i] += 0.5
	}
	standard, err = colour.NewSpectrum(400, 10, grey)
	require.NoError(t, err)
	sample, err = colour.NewSpectrum(400, 10, wave)
	require.NoError(t, err)
	return standard, sample
}
