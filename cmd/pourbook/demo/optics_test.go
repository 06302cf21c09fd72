package demo

import (
	"context"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/pigment"
	"pourbook/internal/store"
)

// An invented toner must look like its swatch, absorb and scatter as paint can, and tint as its strength says.
func TestInventedOpticsArePlausible(t *testing.T) {
	shelf := readShelf(t)
	chalk, ok, err := opticsOf(shelf["Chalk"])
	require.NoError(t, err)
	require.True(t, ok)
	pigmentOf := func(name string, o store.Optics) pigment.Pigment {
		return pigment.Pigment{Name: name, Grid: colour.Paint(), K: o.K, S: o.S}
	}
	solids := 0
	for name, toner := range shelf {
		o, ok, err := opticsOf(toner)
		require.NoError(t, err, name)
		assert.Equal(t, toner.Kind == formula.Solid || toner.Kind == formula.Binder, ok, name)
		if !ok || toner.Kind == formula.Binder {
			continue
		}
		solids++
		require.NoError(t, pigmentOf(name, o).Valid(), name)
		for i := range o.K {
			assert.True(t, o.K[i] < 200 && o.S[i] < 2, "%s at %d: K %g, S %g", name, i, o.K[i], o.S[i])
			if i > 0 {
				assert.Less(t, math.Abs(math.Log(o.K[i]/o.K[i-1])), 2.0, "%s: an edge within 10 nm", name)
			}
		}
		alone, err := pigment.NewPalette([]pigment.Pigment{pigmentOf(name, o)}, store.Surface())
		require.NoError(t, err, name)
		spectrum, err := alone.Predict([]float64{1}, pigment.Coat{})
		require.NoError(t, err, name)
		lab, err := spectrum.Lab(colour.D65, colour.TenDegrees)
		require.NoError(t, err)
		want, err := colour.ParseHex(toner.Swatch)
		require.NoError(t, err)
		assert.Less(t, colour.DeltaE2000(want, lab), 2.0, "%s: the masstone is its swatch", name)
		if name == "Chalk" {
			continue
		}
		tint, err := pigment.NewPalette([]pigment.Pigment{pigmentOf("white", chalk), pigmentOf(name+" in white", o)}, store.Surface())
		require.NoError(t, err)
		white, err := tint.Predict([]float64{1, 0}, pigment.Coat{})
		require.NoError(t, err)
		tinted, err := tint.Predict([]float64{99, 1}, pigment.Coat{})
		require.NoError(t, err)
		a, err := white.Lab(colour.D65, colour.TenDegrees)
		require.NoError(t, err)
		b, err := tinted.Lab(colour.D65, colour.TenDegrees)
		require.NoError(t, err)
		if toner.Strength == formula.Strong {
			assert.Greater(t, colour.DeltaE2000(a, b), 3.0, "%s: a hundredth of it shows in white", name)
		}
	}
	assert.GreaterOrEqual(t, solids, 30)
}

// What is drawn of a formula, its target and its cards go together.
func TestFormulasArePredicted(t *testing.T) {
	ctx := context.Background()
	book := load(t, 1, opened)
	_, _, cards, formulas, _ := all(t, book)
	measured := 0
	for _, f := range formulas {
		target, err := book.FormulaSpectrum(ctx, f.ID)
		if err != nil {
			require.ErrorIs(t, err, store.ErrNotFound)
			continue
		}
		measured++
		main, err := target.Curve.Main()
		require.NoError(t, err)
		require.NotNil(t, f.Target)
		assert.Equal(t, main.Lab, *f.Target)
	}
	assert.GreaterOrEqual(t, measured, 15)
	read := 0
	for _, c := range cards {
		if c.Spectrum == nil {
			continue
		}
		read++
		main, err := c.Spectrum.Main()
		require.NoError(t, err)
		assert.Contains(t, c.Readings, main, "the figures are those of the spectrum")
		assert.NotEqual(t, card.Open, c.Decision)
	}
	assert.GreaterOrEqual(t, read, 5)
}
