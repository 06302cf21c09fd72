package colour_test

import (
	"testing"

	"github.com/lucasb-eyer/go-colorful"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/colour"
)

// second_opinion.csv: 1000 made-up pairs by npm culori 4.0.2 and (columns _b) colorjs.io 0.7.1; the script that
// wrote it is beside it.
func TestThousandPairsAgainstOtherLibraries(t *testing.T) {
	const within = 2e-9 // the file has nine decimals
	rows := table(t, "second_opinion.csv")
	require.Len(t, rows, 1000)
	inGamut := 0
	for i, row := range rows {
		standard, sample := pair(t, row)
		cmc11, err := colour.CMC(standard, sample, 1, 1)
		require.NoError(t, err)
		cmc21, err := colour.CMC(standard, sample, 2, 1)
		require.NoError(t, err)
		for _, check := range []struct {
			column string
			got    float64
		}{
			{"dE76", colour.DeltaE76(standard, sample)},
			{"dE76_b", colour.DeltaE76(standard, sample)},
			{"dE94", colour.CIE94(standard, sample, colour.GraphicArts).E},
			{"dE94_textiles", colour.CIE94(standard, sample, colour.Textiles).E},
			{"dECMC_1_1", cmc11.E},
			{"dECMC_1_1_b", cmc11.E},
			{"dECMC_2_1", cmc21.E},
			{"dECMC_2_1_b", cmc21.E},
			{"dE00", colour.DeltaE2000(standard, sample)},
			{"dE00_b", colour.DeltaE2000(standard, sample)},
		} {
			assert.InDelta(t, number(t, row, check.column), check.got, within, "%s of row %d", check.column, i+1)
		}
		hex, ok := standard.Hex()
		assert.Equal(t, row["in_gamut1"] == "true", ok, "gamut of row %d", i+1)
		if ok { // outside, each library brings a colour in by its own way
			inGamut++
			assert.Equal(t, row["hex1"], hex, "swatch of row %d", i+1)
		}
	}
	assert.Greater(t, inGamut, 100, "too few swatches were compared")
}

// Where go-colorful is exact enough and where it is not: its CIELAB is ours on a scale of 1, its white is the
// published one, and its ΔE00 agrees on what sRGB can show. It is used for the sRGB matrices alone, as its other
// functions start from an sRGB colour.
func TestGoColorfulAgrees(t *testing.T) {
	white, err := colour.White(colour.D65, colour.TwoDegrees)
	require.NoError(t, err)
	assert.InDelta(t, colorful.D65[0], white.X/100, 1e-9)
	assert.InDelta(t, colorful.D65[2], white.Z/100, 1e-9)
	for _, row := range table(t, "second_opinion.csv") {
		standard, sample := pair(t, row)
		xyz := standard.XYZ(white)
		l, a, b := colorful.XyzToLab(xyz.X/100, xyz.Y/100, xyz.Z/100)
		back := xyz.Lab(white)
		assert.InDelta(t, l*100, back.L, 1e-9)
		assert.InDelta(t, a*100, back.A, 1e-9)
		assert.InDelta(t, b*100, back.B, 1e-9)
		assert.InDelta(t, standard.L, back.L, 1e-9)
		assert.InDelta(t, standard.A, back.A, 1e-9)
		if _, ok := standard.Hex(); !ok {
			continue
		}
		if _, ok := sample.Hex(); !ok {
			continue
		}
		first := colorful.Lab(standard.L/100, standard.A/100, standard.B/100)
		second := colorful.Lab(sample.L/100, sample.A/100, sample.B/100)
		assert.InDelta(t, first.DistanceCIEDE2000(second)*100, colour.DeltaE2000(standard, sample), 1e-3)
	}
}
