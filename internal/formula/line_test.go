package formula_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

func TestCheck(t *testing.T) {
	require.NoError(t, formula.Check(lines(white, 700.0, blue, 250.0, black, 50.0)))
	unnumbered := white
	unnumbered.ID, unnumbered.Name = 0, "WHITE "
	for _, c := range []struct {
		lines []formula.Line
		says  string
	}{
		{nil, "There are no lines."},
		{lines(white, 700.0, white, 5.0), "Line 2: White is on line 1 already. Add the two together."},
		{lines(white, 700.0, unnumbered, 5.0), "Line 2: WHITE  is on line 1 already."},
		{lines(white, 700.0, lake, 5.0), "Line 2: Lake belongs to Water base, but line 1 belongs to Solvent base. Paint systems do not mix"},
		{lines(white, 700.0, blue, 0.0), "Line 2: the weight is not above 0 g."},
		{lines(white, -1.0), "Line 1: the weight is not above 0 g."},
		{lines(formula.Toner{}, 1.0), "Line 1: there is no toner."},
		{[]formula.Line{{Toner: white, Mass: gram.MaxMass + 1}}, "Line 1: 1000 kg is more than any batch."},
		{lines(white, 600_000.0, blue, 600_000.0), "The lines together weigh more than 1000 kg."},
		{lines(white, 0.0, white, 0.0), "Line 1: the weight is not above 0 g. Correct it or leave the line out.\nLine 2: White is on line 1"},
	} {
		assert.Contains(t, sentences(formula.Check(c.lines)), c.says)
	}
}

func TestCheckCountsLines(t *testing.T) {
	many := func(n int) (ls []formula.Line) {
		for i := range n {
			ls = append(ls, formula.Line{Toner: toner(int64(i+1), fmt.Sprintf("T%d", i), solvent), Mass: 1000})
		}
		return ls
	}
	require.NoError(t, formula.Check(many(formula.MaxLines)))
	require.EqualError(t, formula.Check(many(200)), "This list has 200 lines; a formula can have 60. Check that it is one formula.")
}

func TestFractions(t *testing.T) {
	// The worked example of a 500 g batch: 700, 250 and 50 parts of a thousand.
	assert.Equal(t, []float64{0.7, 0.25, 0.05}, formula.Fractions(lines(white, 700.0, blue, 250.0, black, 50.0)))
	assert.Equal(t, gram.Mass(1_000_000), formula.Sum(lines(white, 700.0, blue, 250.0, black, 50.0)))
	assert.Equal(t, []float64{0}, formula.Fractions(lines(white, 0.0)))
	assert.Empty(t, formula.Fractions(nil))
}
