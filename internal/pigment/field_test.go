package pigment

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/colour"
)

// A world in which two constants are not enough: K/S of every mixture of white and yellow is a tenth above what they
// give, as long as both are in it.
func bent(t *testing.T, p *Palette, parts ...float64) colour.Spectrum {
	t.Helper()
	whole := 0.0
	for _, v := range parts {
		whole += v
	}
	values := make([]float64, p.grid.Count)
	for i := range values {
		k, s := 0.0, 0.0
		for j, v := range parts {
			k += v * p.k[j][i]
			s += v * p.s[j][i]
		}
		values[i] = p.surface.Measured(Opaque(k*(1+0.4*parts[0]/whole*parts[2]/whole), s))
	}
	spectrum, err := colour.NewSpectrum(p.grid.Start, p.grid.Step, values)
	require.NoError(t, err)
	return spectrum
}

func TestFieldCarriesResidualsOver(t *testing.T) {
	truth, err := NewPalette(invented(colour.Paint()), openSurface)
	require.NoError(t, err)
	var samples []Drawdown
	for _, parts := range [][]float64{
		{1, 0, 0, 0},
		{0, 1, 0, 0},
		{0, 0, 1, 0},
		{0, 0, 0, 1},
		{95, 5, 0, 0},
		{0, 5, 95, 0},
		{0, 5, 0, 95},
		{90, 0, 0, 10},
		{95, 0, 5, 0},
		{80, 0, 20, 0},
		{60, 0, 40, 0},
		{40, 0, 60, 0},
		{20, 0, 80, 0},
	} {
		samples = append(samples, Drawdown{parts, []GroundReading{{Spectrum: bent(t, truth, parts...)}}})
	}
	field, err := NewField(Calibration{Pigments: invented(colour.Paint())}, samples, openSurface)
	require.NoError(t, err)
	light := d65(t)
	far := func(parts ...float64) (plain, with float64) {
		want := light.Lab(bent(t, truth, parts...).Values())
		got, err := field.Predict(parts)
		require.NoError(t, err)
		return colour.DeltaE2000(want, light.Lab(predict(t, truth, parts...).Values())), colour.DeltaE2000(want, light.Lab(got.Values()))
	}
	plain, with := far(50, 0, 50, 0) // between drawdowns
	assert.Greater(t, plain, 0.4)
	assert.Less(t, with, plain/2)
	// Amounts in another unit are the same composition.
	a, err := field.Predict([]float64{50, 0, 50, 0})
	require.NoError(t, err)
	b, err := field.Predict([]float64{1, 0, 1, 0})
	require.NoError(t, err)
	assert.InDeltaSlice(t, a.Values(), b.Values(), 1e-12)
	// Where the two constants are right it leaves them alone.
	_, with = far(0, 5, 95, 0)
	assert.Less(t, with, 0.05)
}

// Far from all drawdowns the residual dies away and the palette's own prediction is left.
func TestFieldDiesAway(t *testing.T) {
	truth, err := NewPalette(invented(colour.Paint()), openSurface)
	require.NoError(t, err)
	tint := drawn(t, truth, 0, 90, 0, 10, 0)
	values := tint.Readings[0].Spectrum.Values()
	for i := range values {
		values[i] *= 0.9
	}
	off, err := colour.NewSpectrum(400, 10, values)
	require.NoError(t, err)
	tint.Readings[0].Spectrum = off
	samples := []Drawdown{
		drawn(t, truth, 0, 1, 0, 0, 0), drawn(t, truth, 0, 0, 1, 0, 0), drawn(t, truth, 0, 0, 0, 1, 0), drawn(t, truth, 0, 0, 0, 0, 1), tint,
	}
	field, err := NewField(Calibration{Pigments: invented(colour.Paint())}, samples, openSurface)
	require.NoError(t, err)
	light := d65(t)
	moved := func(parts ...float64) float64 {
		got, err := field.Predict(parts)
		require.NoError(t, err)
		return colour.DeltaE2000(light.Lab(got.Values()), light.Lab(predict(t, truth, parts...).Values()))
	}
	assert.Greater(t, moved(90, 0, 10, 0), 1.0)
	assert.Less(t, moved(0, 50, 0, 50), 0.05)
	assert.False(t, math.IsNaN(moved(1, 1, 1, 1)))
}

func TestFieldRefusesBadInput(t *testing.T) {
	truth, err := NewPalette(invented(colour.Paint()), openSurface)
	require.NoError(t, err)
	c := Calibration{Pigments: invented(colour.Paint())}
	_, err = NewField(c, nil, openSurface)
	assert.EqualError(t, err, "there is no sample: give the drawdowns of each toner")
	_, err = NewField(Calibration{}, nil, openSurface)
	assert.EqualError(t, err, "there is no toner with colour data: give at least one")
	_, err = NewField(c, []Drawdown{{Parts: []float64{1, 1, 1, 1}}}, openSurface)
	assert.ErrorContains(t, err, "the sample has no reading")
	field, err := NewField(c, inventedSamples(t, truth), openSurface)
	require.NoError(t, err)
	_, err = field.Predict([]float64{1})
	assert.ErrorContains(t, err, "1 parts for 4 toners")
}
