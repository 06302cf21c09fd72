package pigment

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/colour"
)

var threeLights = []colour.Illuminant{colour.D65, colour.A, colour.F11}

func TestDistanceAgainstDifferences(t *testing.T) {
	palette := openPalette(t)
	rapid.Check(t, func(t *rapid.T) {
		formula := rapid.SliceOfN(rapid.Float64Range(0.5, 100), 16, 16).Draw(t, "formula")
		grams := rapid.SliceOfN(rapid.Float64Range(0.5, 100), 16, 16).Draw(t, "grams")
		aim, err := palette.AimAtMixture(formula, Coat{}, threeLights[:1], colour.TenDegrees)
		require.NoError(t, err)
		d, gradient := aim.Distance(grams)
		if d < 0.1 {
			return // the corner at the target
		}
		for i := range grams {
			h := 1e-5 * grams[i]
			up, down := slices.Clone(grams), slices.Clone(grams)
			up[i] += h
			down[i] -= h
			far, _ := aim.Distance(up)
			near, _ := aim.Distance(down)
			want := (far - near) / (2 * h)
			require.InDelta(t, want, gradient[i], 1e-5*(1+math.Abs(want)), "toner %d", i)
		}
	})
}

func TestDistanceIsTheLargestOverTheLights(t *testing.T) {
	palette := openPalette(t)
	formula, cup := make([]float64, 16), make([]float64, 16)
	formula[0], formula[3] = 300, 20
	cup[0], cup[5], cup[7] = 300, 15, 4
	target, err := palette.Predict(formula, Coat{})
	require.NoError(t, err)
	got, err := palette.Predict(cup, Coat{})
	require.NoError(t, err)
	want := 0.0
	for _, light := range threeLights {
		a, err := target.Lab(light, colour.TenDegrees)
		require.NoError(t, err)
		b, err := got.Lab(light, colour.TenDegrees)
		require.NoError(t, err)
		want = math.Max(want, colour.DeltaE2000(a, b))
	}
	require.Positive(t, want)
	aim, err := palette.AimAt(target, Coat{}, threeLights, colour.TenDegrees)
	require.NoError(t, err)
	d, _ := aim.Distance(cup)
	assert.InDelta(t, want, d, 1e-9)

	d, gradient := aim.Distance(formula)
	assert.InDelta(t, 0, d, 1e-9)
	for _, g := range gradient {
		assert.False(t, math.IsNaN(g) || math.IsInf(g, 0))
	}
}

func TestAimRefusesBadInput(t *testing.T) {
	palette := openPalette(t)
	_, err := palette.AimAt(colour.Spectrum{}, Coat{}, threeLights, colour.TenDegrees)
	assert.EqualError(t, err, "there is no target: give the spectrum of the colour to hit")
	_, err = palette.AimAt(grey(t, 0.5), Coat{}, nil, colour.TenDegrees)
	assert.EqualError(t, err, "no light is named: choose at least one, usually D65")
	_, err = palette.AimAt(grey(t, 0.5), Coat{}, []colour.Illuminant{"D65", "D65"}, colour.TenDegrees)
	assert.EqualError(t, err, "the light D65 is named twice: name each once")
	_, err = palette.AimAt(grey(t, 0.5), Coat{}, []colour.Illuminant{"D66"}, colour.TenDegrees)
	assert.ErrorContains(t, err, "is not an illuminant known here")
	_, err = palette.AimAt(grey(t, 0.5), Coat{Thickness: 1}, threeLights, colour.TenDegrees)
	assert.Error(t, err)
	_, err = palette.AimAtMixture(make([]float64, 16), Coat{}, threeLights, colour.TenDegrees)
	assert.ErrorContains(t, err, "the mixture is empty")

	aim, err := palette.AimAt(grey(t, 0.5), Coat{}, threeLights, colour.TenDegrees)
	require.NoError(t, err)
	for _, bad := range [][]float64{nil, make([]float64, 16), {1}} {
		d, gradient := aim.Distance(bad)
		assert.True(t, math.IsInf(d, 1))
		assert.Len(t, gradient, len(bad))
	}
}

func BenchmarkDistance(b *testing.B) {
	pigments := openPigments(b)[:6]
	palette, err := NewPalette(pigments, openSurface)
	require.NoError(b, err)
	aim, err := palette.AimAt(grey(b, 0.4), Coat{}, threeLights, colour.TenDegrees)
	require.NoError(b, err)
	grams := []float64{300, 5, 10, 20, 30, 40}
	b.ReportAllocs()
	for b.Loop() {
		sink, _ = aim.Distance(grams)
	}
}
