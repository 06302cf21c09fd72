package pigment

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/colour"
	"pourbook/internal/gram"
)

// At the cup itself the anchored palette gives the card back, and what Tint says of its change it says too.
func TestAnchoredGivesTheCardBack(t *testing.T) {
	pigments := openPigments(t)
	p := some(t, pigments[0].Name, pigments[1].Name, pigments[2].Name)
	in := masses(80, 12, 8)
	card := predict(t, p, 78, 13, 9) // the model is wrong by this much
	target := predict(t, p, 79, 10, 11)
	a, err := p.Anchored(in, card)
	require.NoError(t, err)
	back, err := a.Predict([]float64{80, 12, 8}, Coat{})
	require.NoError(t, err)
	assert.InDeltaSlice(t, card.Values(), back.Values(), 1e-9)

	lights := []colour.Illuminant{colour.D65, colour.A, colour.F11}
	got, err := p.Tint(TintAsk{In: in, Card: card, Target: target, Lights: lights, Observer: colour.TenDegrees, Limit: 0.3, Division: 10 * gram.Milligram, MostToners: 3})
	require.NoError(t, err)
	for what, after := range map[float64][]gram.Mass{got.Before: in, got.After: {in[0] + got.Change[0], in[1] + got.Change[1], in[2] + got.Change[2]}} {
		grams := make([]float64, len(after))
		for i, m := range after {
			grams[i] = m.Grams()
		}
		spectrum, err := a.Predict(grams, Coat{})
		require.NoError(t, err)
		by, err := Differences(target, spectrum, lights, colour.TenDegrees)
		require.NoError(t, err)
		assert.InDelta(t, what, slices.Max(by), 1e-6)
	}

	_, err = p.Anchored(in[:2], card)
	require.Error(t, err)
	_, err = p.Anchored(in, colour.Spectrum{})
	require.Error(t, err)
	_, err = p.Anchored(masses(0, 0, 0), card)
	require.Error(t, err)
}
