package formula_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/formula"
)

func superseded(t formula.Toner, by string, factor float64) formula.Toner {
	t.Replaced = &formula.Replacement{By: by, Factor: factor}
	return t
}

func TestSubstitute(t *testing.T) {
	old := superseded(oxide, "Émeraude", 1.05)
	in := lines(white, 700.0, old, 10.0)
	got, swaps, err := formula.Substitute(in, shelf)
	require.NoError(t, err)
	assert.Equal(t, lines(white, 700.0, emerald, 10.5), got)
	require.Len(t, swaps, 1)
	assert.Equal(t, "Line 2: Red oxide is superseded: 10.5 g of Émeraude instead of 10.0 g.", swaps[0].Sentence())
	assert.Equal(t, lines(white, 700.0, old, 10.0), in, "the lines given stay as they are")

	got, swaps, err = formula.Substitute(lines(white, 700.0), shelf)
	require.NoError(t, err)
	assert.Empty(t, swaps)
	assert.Equal(t, lines(white, 700.0), got)
}

func TestSubstituteFollowsChains(t *testing.T) {
	first, second := superseded(oxide, "Black", 2), superseded(black, "Blue", 0.25)
	got, swaps, err := formula.Substitute(lines(first, 100.0), find(white, blue, second))
	require.NoError(t, err)
	assert.Equal(t, lines(blue, 50.0), got)
	require.Len(t, swaps, 1)
	assert.Equal(t, []string{"Black"}, swaps[0].Via)
	assert.InDelta(t, 0.5, swaps[0].Factor, 1e-12)
}

func TestSubstituteJoinsLines(t *testing.T) {
	old := superseded(oxide, "White", 1)
	got, swaps, err := formula.Substitute(lines(white, 700.0, blue, 5.0, old, 10.0), shelf)
	require.NoError(t, err)
	assert.Equal(t, lines(white, 710.0, blue, 5.0), got)
	assert.Equal(t, 1, swaps[0].Joined)

	got, swaps, err = formula.Substitute(lines(old, 10.0, blue, 5.0, white, 700.0), shelf)
	require.NoError(t, err)
	assert.Equal(t, lines(white, 710.0, blue, 5.0), got)
	assert.Equal(t, 3, swaps[0].Joined)
}

func TestSubstituteRefuses(t *testing.T) {
	for _, c := range []struct {
		old    formula.Toner
		lookup formula.Lookup
		says   string
	}{
		{superseded(oxide, "Gone", 1), shelf, `Line 2: Red oxide is superseded by "Gone", which is not on the shelf.`},
		{superseded(oxide, "Lake", 1), shelf, "Line 2: Red oxide of Solvent base is superseded by Lake of Water base."},
		{superseded(oxide, "Red oxide", 1), shelf, "Line 2: Red oxide is superseded in a circle: Red oxide, Red oxide."},
		{superseded(oxide, "Blue", 1), find(superseded(blue, "Black", 1), superseded(black, "Blue", 1)), "in a circle: Red oxide, Blue, Black, Blue."},
		{superseded(oxide, "Blue", 0), shelf, "with the factor 0. Enter one from 0.01 to 100"},
		{superseded(oxide, "Blue", -1), shelf, "with the factor -1"},
		{superseded(oxide, "Blue", math.NaN()), shelf, "with the factor NaN"},
		{superseded(oxide, "Blue", math.Inf(1)), shelf, "with the factor +Inf"},
	} {
		_, _, err := formula.Substitute(lines(white, 700.0, c.old, 10.0), c.lookup)
		assert.Contains(t, sentences(err), c.says)
	}
	_, _, err := formula.Substitute(lines(white, 700.0, superseded(oxide, "Blue", 0.01), 0.02), shelf)
	assert.Contains(t, sentences(err), "come to 0.0002 g of Blue, which cannot be weighed")
	_, _, err = formula.Substitute(nil, shelf)
	assert.Contains(t, sentences(err), "There are no lines.")
}
