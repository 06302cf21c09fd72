package colour_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/colour"
)

func TestLabValid(t *testing.T) {
	for _, good := range []colour.Lab{{}, {L: 100}, {L: 100.3}, {L: 50, A: -128, B: 128}, {L: 60, A: 200, B: -200}} {
		assert.NoError(t, good.Valid(), "%v", good)
	}
	for _, bad := range []struct {
		lab  colour.Lab
		says string
	}{
		{colour.Lab{L: math.NaN()}, "L of the colour is not a number: give it from 0 to 100"},
		{colour.Lab{L: 50, A: math.Inf(1)}, "a of the colour is not a number: give it from -200 to 200"},
		{colour.Lab{L: -0.1}, "L of the colour is -0.1: it must be from 0 to 100"},
		{colour.Lab{L: 101}, "L of the colour is 101: it must be from 0 to 100"},
		{colour.Lab{L: 50, A: 201}, "a of the colour is 201: it must be from -200 to 200"},
		{colour.Lab{L: 50, B: -300}, "b of the colour is -300: it must be from -200 to 200"},
	} {
		assert.EqualError(t, bad.lab.Valid(), bad.says)
	}
}

func TestLChThereAndBack(t *testing.T) {
	assert.Equal(t, colour.LCh{L: 50}, colour.Lab{L: 50}.LCh(), "a grey has hue 0")
	for _, axis := range []struct {
		lab colour.Lab
		hue float64
	}{{colour.Lab{A: 1}, 0}, {colour.Lab{B: 1}, 90}, {colour.Lab{A: -1}, 180}, {colour.Lab{B: -1}, 270}, {colour.Lab{A: 1, B: -1e-300}, 0}} {
		assert.InDelta(t, axis.hue, axis.lab.LCh().H, 1e-12, "%v", axis.lab)
	}
	rapid.Check(t, func(t *rapid.T) {
		lab := anyLab().Draw(t, "lab")
		back := lab.LCh().Lab()
		require.InDelta(t, lab.A, back.A, 1e-10)
		require.InDelta(t, lab.B, back.B, 1e-10)
	})
}
