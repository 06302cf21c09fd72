package colour_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/colour"
)

// A made-up silver and what the published formula, worked by hand below, gives for it.
func silver() colour.Reading {
	return colour.Reading{
		colour.Face15: {L: 130, A: -0.5, B: 1}, colour.Face25: {L: 105, A: -0.5, B: 0.5}, colour.Flat45: {L: 62},
		colour.Side75: {L: 42, A: 0.3, B: -1}, colour.Flop110: {L: 36, A: 0.3, B: -1.5},
	}
}

func TestFlopIndex(t *testing.T) {
	// 94^1.11 = exp(1.11 ln 94) = exp(5.04303) = 154.94; 62^0.86 = exp(3.54936) = 34.791; 2.69·154.94/34.791 = 11.980
	got, err := silver().FlopIndex()
	require.NoError(t, err)
	assert.InDelta(t, 11.980, got, 0.002)

	solid := colour.Reading{colour.Face15: {L: 50}, colour.Flat45: {L: 50}, colour.Flop110: {L: 50}}
	got, err = solid.FlopIndex()
	require.NoError(t, err)
	assert.Zero(t, got, "0 for a solid colour, as a public glossary says")
}

func TestReadingRefusesBadInput(t *testing.T) {
	change := func(f func(colour.Reading)) colour.Reading { r := silver(); f(r); return r }
	for says, r := range map[string]colour.Reading{
		"the reading at 45 degrees is missing: a flake finish needs 15, 45 and 110":           change(func(r colour.Reading) { delete(r, colour.Flat45) }),
		"the reading has an angle that is not known here: use 15, 25, 45, 75 and 110 degrees": change(func(r colour.Reading) { r[60] = colour.Lab{L: 50} }),
		"at 110 degrees: L of the colour is 104: it must be from 0 to 100":                    change(func(r colour.Reading) { r[colour.Flop110] = colour.Lab{L: 104} }),
		"at 15 degrees: L of the colour is 230: it must be from 0 to 200":                     change(func(r colour.Reading) { r[colour.Face15] = colour.Lab{L: 230} }),
		"at 25 degrees: a of the colour is not a number: give it from -200 to 200":            change(func(r colour.Reading) { r[colour.Face25] = colour.Lab{A: math.NaN()} }),
	} {
		assert.EqualError(t, r.Valid(), says)
		_, err := r.FlopIndex()
		assert.EqualError(t, err, says)
		_, err = colour.Differences(silver(), r)
		assert.EqualError(t, err, "the sample: "+says)
	}
	_, err := change(func(r colour.Reading) { r[colour.Flop110] = colour.Lab{L: 100}; r[colour.Face15] = colour.Lab{L: 40} }).FlopIndex()
	assert.ErrorContains(t, err, "check that the angles are not swapped")
	_, err = change(func(r colour.Reading) { r[colour.Flat45] = colour.Lab{} }).FlopIndex()
	assert.ErrorContains(t, err, "read the panel again")
}

func TestDifferencesByAngle(t *testing.T) {
	sample := silver()
	sample[colour.Face15] = colour.Lab{L: 128, A: -0.5, B: 1}
	delete(sample, colour.Side75)
	got, err := colour.Differences(silver(), sample)
	require.NoError(t, err)
	require.Len(t, got, 4)
	assert.Equal(t, []colour.Angle{15, 25, 45, 110}, []colour.Angle{got[0].Angle, got[1].Angle, got[2].Angle, got[3].Angle})
	assert.Negative(t, got[0].L, "darker at the face")
	assert.InDelta(t, colour.DeltaE2000(silver()[15], sample[15]), got[0].E, 1e-12)
	assert.Zero(t, got[3].E)
}
