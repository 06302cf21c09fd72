package pigment

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/colour"
)

// A lot that is the standard with more or less pigment in it: K and S of the toner scaled together. In a tint of 1 to
// 100 its own scattering is about 1 % of the white's at most, so the strength comes out to about 1 %. (Not so the Prussian blue
// of the file, whose K and S are both high and poorly separated by its maker's word.)
func TestStrengthOfADilutedLot(t *testing.T) {
	for _, name := range []string{"bone_black", "vermillion", "cobalt_blue", "chrome_yellow"} {
		palette := some(t, "zinc_white", name)
		white := predict(t, palette, 1, 0)
		rapid.Check(t, func(rt *rapid.T) {
			want := rapid.Float64Range(0.7, 1.4).Draw(rt, "strength")
			got, err := StrengthOf(predict(rt, palette, 100, 1), predict(rt, palette, 100, want), white, openSurface)
			require.NoError(rt, err)
			require.InEpsilon(rt, want, got.AtPeak, 0.015)
			require.InEpsilon(rt, want, got.Overall, 0.015)
			require.Less(rt, got.After, 0.05, "strength was all that differed")
		})
	}
}

// K/S by hand: R∞ of 0.4 is K/S 0.45, of 0.1 is 4.05 (km_opaque_worked.csv), of 0.25 is 1.125.
func TestStrengthByHand(t *testing.T) {
	got, err := StrengthOf(grey(t, 0.25), grey(t, 0.1), grey(t, 0.4), Surface{})
	require.NoError(t, err)
	assert.InDelta(t, (4.05-0.45)/(1.125-0.45), got.AtPeak, 1e-9)
	assert.InDelta(t, (4.05-0.45)/(1.125-0.45), got.Overall, 1e-9)
	assert.InDelta(t, 0, got.After, 1e-9)
	assert.InDelta(t, colour.DeltaE2000(d65(t).Lab(grey(t, 0.25).Values()), d65(t).Lab(grey(t, 0.1).Values())), got.Before, 1e-9)
}

// Another shade of the same strength: what is left is the shade.
func TestStrengthLeavesTheShade(t *testing.T) {
	palette := some(t, "zinc_white", "vermillion", "chrome_yellow")
	got, err := StrengthOf(predict(t, palette, 100, 2, 0), predict(t, palette, 100, 1.8, 0.4), predict(t, palette, 1, 0, 0), openSurface)
	require.NoError(t, err)
	assert.Positive(t, got.Left.B, "yellower")
	assert.Greater(t, got.After, 0.5)
}

func TestStrengthRefusesBadInput(t *testing.T) {
	white, tint := grey(t, 0.8), grey(t, 0.5)
	for says, in := range map[string][3]colour.Spectrum{
		"there is no reading of the standard: measure it":                                                                                 {{}, tint, white},
		"there is no reading of the new lot: measure it":                                                                                  {tint, {}, white},
		"there is no reading of the white: measure it":                                                                                    {tint, tint, {}},
		"the standard tint is hardly darker than the white, so it tells no strength: put more of the toner in":                            {white, tint, white},
		"the new lot is no darker than the white, so it has no strength to tell: check that the readings are not swapped":                 {tint, white, white},
		"the new lot at 400 nm: a reflectance of 0.01 is darker than the surface alone: use a smaller k1, or say that gloss was excluded": {tint, grey(t, 0.01), white},
	} {
		_, err := StrengthOf(in[0], in[1], in[2], openSurface)
		assert.EqualError(t, err, says)
	}
	_, err := StrengthOf(tint, tint, white, Surface{K1: 3})
	assert.Error(t, err)
}
