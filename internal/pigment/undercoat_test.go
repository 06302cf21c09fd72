package pigment

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/colour"
)

// Over a ground of its own colour a film never shows (Kubelka 1948): one coat, whatever its thickness.
func TestUndercoatOfTheSameColourHidesAtOnce(t *testing.T) {
	palette := flatPalette(t, 0.05, 0.2, openSurface)
	r := openSurface.Measured(Opaque(0.05, 0.2))
	got, err := palette.Undercoats([]float64{1}, 0.01, []colour.Spectrum{grey(t, 0.9), grey(t, r), grey(t, 0.05)}, 0.5, d65(t))
	require.NoError(t, err)
	require.NotEmpty(t, got)
	assert.Equal(t, 1, got[0].At)
	assert.Equal(t, 1, got[0].Coats)
	assert.InDelta(t, 0, got[0].DeltaE, 1e-9)
}

// The count is the least: one coat fewer shows, with the film worked out by Predict.
func TestUndercoatCountsTheLeast(t *testing.T) {
	palette, weights := some(t, "zinc_white", "vermillion", "eosin", "cobalt_blue"), d65(t)
	lightness, grounds, err := palette.Greys()
	require.NoError(t, err)
	require.Len(t, grounds, len(lightness))
	for i, g := range grounds {
		assert.InDelta(t, lightness[i], weights.Lab(g.Values()).L, 1e-9)
		assert.InDelta(t, 0, weights.Lab(g.Values()).Chroma(), 1e-9)
	}
	rapid.Check(t, func(t *rapid.T) {
		parts := []float64{rapid.Float64Range(0, 5).Draw(t, "white"), 1, rapid.Float64Range(0, 10).Draw(t, "lake"), rapid.Float64Range(0, 3).Draw(t, "blue")}
		coat := rapid.Float64Range(0.3, 2).Draw(t, "coat")
		const limit = 0.5
		got, err := palette.Undercoats(parts, coat, grounds, limit, weights)
		require.NoError(t, err)
		aim := weights.Lab(predict(t, palette, parts...).Values())
		over := func(u Undercoat, coats int) float64 {
			s, err := palette.Predict(parts, Coat{Thickness: float64(coats) * coat, Ground: grounds[u.At]})
			require.NoError(t, err)
			return colour.DeltaE2000(aim, weights.Lab(s.Values()))
		}
		for i, u := range got {
			require.InDelta(t, u.DeltaE, over(u, u.Coats), 1e-9)
			require.LessOrEqual(t, u.DeltaE, limit)
			if u.Coats > 1 {
				require.Greater(t, over(u, u.Coats-1), limit)
			}
			if i > 0 {
				require.GreaterOrEqual(t, u.Coats, got[i-1].Coats)
			}
		}
	})
}

func TestUndercoatRefusesBadInput(t *testing.T) {
	palette, weights := flatPalette(t, 0.05, 0.2, openSurface), d65(t)
	grounds := []colour.Spectrum{grey(t, 0.5)}
	for says, call := range map[string]func() ([]Undercoat, error){
		"the thickness of one coat is 0: it must be above 0":                            func() ([]Undercoat, error) { return palette.Undercoats([]float64{1}, 0, grounds, 0.5, weights) },
		"the limit is NaN: it must be above 0, usually 0.5":                             func() ([]Undercoat, error) { return palette.Undercoats([]float64{1}, 1, grounds, math.NaN(), weights) },
		"there is no ground to choose from: give the spectra of the sealers or grounds": func() ([]Undercoat, error) { return palette.Undercoats([]float64{1}, 1, nil, 0.5, weights) },
		"the mixture is empty: give at least one toner an amount above 0":               func() ([]Undercoat, error) { return palette.Undercoats([]float64{0}, 1, grounds, 0.5, weights) },
		"ground 1 at 400 nm: a reflectance of 0.01 is darker than the surface alone: use a smaller k1, or say that gloss was excluded": func() ([]Undercoat, error) {
			return palette.Undercoats([]float64{1}, 1, []colour.Spectrum{grey(t, 0.01)}, 0.5, weights)
		},
	} {
		_, err := call()
		assert.EqualError(t, err, says)
	}
	got, err := flatPalette(t, 1e-6, 1e-6, openSurface).Undercoats([]float64{1}, 1, grounds, 0.5, weights)
	require.NoError(t, err)
	assert.Empty(t, got, "what lets everything through hides nothing")
}
