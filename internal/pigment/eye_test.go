package pigment

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/colour"
	"pourbook/internal/gram"
)

// One axis alone is exactly as long as its step in ΔE00, but for what is of third order.
func TestEyeStepsAreDifferences(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := colour.Lab{L: rapid.Float64Range(15, 90).Draw(t, "L"), A: rapid.Float64Range(5, 60).Draw(t, "a"), B: rapid.Float64Range(-60, 60).Draw(t, "b")}
		step := rapid.SampledFrom([]int{-2, -1, 1, 2}).Draw(t, "step")
		for _, eye := range []Eye{{Lighter: step}, {Redder: step}, {Yellower: step}, {Cleaner: step}} {
			d, err := eye.Difference(at)
			require.NoError(t, err)
			got := colour.DeltaE2000(at, colour.Lab{L: at.L + d.L, A: at.A + d.A, B: at.B + d.B})
			require.InEpsilon(t, steps[max(step, -step)], got, 0.05, "%v", eye)
			back, err := Eye{-eye.Lighter, -eye.Redder, -eye.Yellower, -eye.Cleaner}.Difference(at)
			require.NoError(t, err)
			require.InDelta(t, 0, colour.DeltaE76(colour.Lab{}, colour.Lab{L: d.L + back.L, A: d.A + back.A, B: d.B + back.B}), 1e-12)
		}
	})
	d, err := Eye{Lighter: -1, Redder: 2}.Difference(colour.Lab{L: 50, A: 10, B: 10})
	require.NoError(t, err)
	assert.Negative(t, d.L)
	assert.Positive(t, d.A)
	assert.Zero(t, d.B)
}

func TestFirstAddition(t *testing.T) {
	palette := some(t, "zinc_white", "bone_black", "vermillion", "cobalt_blue", "chrome_yellow", "viridian_green")
	ask := FirstAsk{In: masses(100, 1, 4, 3, 0, 0), Division: 10 * gram.Milligram}
	for _, c := range []struct {
		eye  Eye
		want string
	}{
		{Eye{Lighter: 2}, "bone_black"},
		{Eye{Lighter: -2}, "zinc_white"},
		{Eye{Redder: -2}, "vermillion"},
		{Eye{Yellower: 3}, "cobalt_blue"},
		{Eye{Yellower: -3}, "chrome_yellow"},
		{Eye{Redder: 3}, "viridian_green"},
	} {
		ask.Eye = c.eye
		got, err := palette.First(ask)
		require.NoError(t, err)
		require.GreaterOrEqual(t, got.Toner, 0, "%v", c.eye)
		assert.Equal(t, c.want, palette.Names()[got.Toner], "%v", c.eye)
		assert.InDelta(t, got.Whole.Grams()/2, got.Mass.Grams(), 0.0101)
		assert.Less(t, got.Left, got.Told)

		// What is added takes off about half and never turns the verdict round.
		before := gramsOf(ask.In)
		after := gramsOf(ask.In)
		after[got.Toner] += got.Mass.Grams()
		lab := func(g []float64) colour.Lab { return d65(t).Lab(predict(t, palette, g...).Values()) }
		off, err := c.eye.Difference(lab(before))
		require.NoError(t, err)
		at, now := lab(before), lab(after)
		target := colour.Lab{L: at.L - off.L, A: at.A - off.A, B: at.B - off.B}
		moved := colour.DeltaE2000(target, now)
		assert.Less(t, moved, got.Told)
		assert.Greater(t, moved, got.Left)
	}
	// Only what is allowed, and nothing where nothing helps.
	ask.Eye, ask.Allow = Eye{Lighter: -2}, []bool{false, true, false, false, false, false}
	got, err := palette.First(ask)
	require.NoError(t, err)
	assert.Equal(t, First{Toner: -1, Told: got.Told, Left: got.Told}, got)
	// An amount below the division is not rounded up to it.
	ask.Eye, ask.Allow, ask.Division = Eye{Lighter: 1}, nil, 10*gram.Gram
	got, err = palette.First(ask)
	require.NoError(t, err)
	assert.Zero(t, got.Mass)
	assert.Positive(t, got.Whole)
}

func TestEyeRefusesBadInput(t *testing.T) {
	at := colour.Lab{L: 50, A: 10, B: 10}
	_, err := Eye{}.Difference(at)
	assert.EqualError(t, err, "the verdict says that the card matches: there is nothing to put right")
	_, err = Eye{Redder: 4}.Difference(at)
	assert.EqualError(t, err, "a step of 4 in redder is too far for an eye: give -3 to 3")
	_, err = Eye{Cleaner: 1}.Difference(colour.Lab{L: 50})
	assert.ErrorContains(t, err, "a grey cannot be cleaner or greyer")
	_, err = Eye{Redder: 1}.Difference(colour.Lab{L: 500})
	assert.Error(t, err)
	palette := some(t, "zinc_white", "bone_black")
	for says, ask := range map[string]FirstAsk{
		"the cup is empty: give at least one toner an amount above 0": {In: masses(0, 0), Eye: Eye{Lighter: 1}, Division: 100},
		"the scale's division is 0.000 g: it must be above 0":         {In: masses(1, 1), Eye: Eye{Lighter: 1}},
		"it is said of 1 toners whether they may be added, and there are 2: say it of each": {
			In: masses(1, 1), Eye: Eye{Lighter: 1}, Division: 100, Allow: []bool{true},
		},
		"the verdict says that the card matches: there is nothing to put right": {In: masses(1, 1), Division: 100},
	} {
		_, err := palette.First(ask)
		assert.EqualError(t, err, says)
	}
}
