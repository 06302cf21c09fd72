package colour_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/colour"
)

func TestSwatchEnds(t *testing.T) {
	for hex, lab := range map[string]colour.Lab{"#000000": {}, "#ffffff": {L: 100}} {
		got, inGamut := lab.Hex()
		assert.Equal(t, hex, got)
		assert.True(t, inGamut)
	}
	// A green that no screen can show: CIELAB (60, -120, 60).
	_, inGamut := colour.Lab{L: 60, A: -120, B: 60}.Hex()
	assert.False(t, inGamut, "out of gamut must be marked")
	_, _, _, inGamut = colour.Lab{L: math.NaN()}.SRGB()
	assert.False(t, inGamut)
}

// Every swatch comes back as itself, and none of them is out of gamut.
func TestSwatchThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hex := rapid.StringMatching(`#[0-9a-f]{6}`).Draw(t, "hex")
		lab, err := colour.ParseHex(hex)
		require.NoError(t, err)
		require.NoError(t, lab.Valid())
		back, inGamut := lab.Hex()
		require.Equal(t, hex, back)
		require.True(t, inGamut)
	})
}

func TestGreysStayGrey(t *testing.T) {
	for l := 0.0; l <= 100; l += 0.5 {
		r, g, b, inGamut := colour.Lab{L: l}.SRGB()
		assert.True(t, r == g && g == b && inGamut, "L %v: %d %d %d", l, r, g, b)
	}
}

func TestParseHexRefusesOtherWords(t *testing.T) {
	for _, bad := range []string{"", "#fff", "b5521d", "#b5521", "#b5521dd", "#b5521g", "#+5521d", "#b5_21d", "red", "#é521d"} {
		_, err := colour.ParseHex(bad)
		require.Error(t, err, bad)
		assert.Contains(t, err.Error(), "is not a swatch")
	}
}
