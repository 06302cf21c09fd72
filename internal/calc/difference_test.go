package calc

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// colour_differences.csv: made-up pairs by culori 4.0.2, six decimals.
func TestDifferenceOfTheTable(t *testing.T) {
	for _, row := range colourTable(t, "colour_differences.csv") {
		first := lab{cell(t, row, "L1"), cell(t, row, "a1"), cell(t, row, "b1")}
		second := lab{cell(t, row, "L2"), cell(t, row, "a2"), cell(t, row, "b2")}
		for _, ask := range []struct {
			column, formula string
			weights         map[string]any
		}{
			{"dE76", "cie76", nil},
			{"dE94_graphic_arts", "cie94", nil},
			{"dE94_graphic_arts", "cie94", map[string]any{"l": 1, "c": 1}},
			{"dE94_textiles", "cie94", map[string]any{"l": 2}},
			{"dECMC_1_1", "cmc", map[string]any{"l": 1, "c": 1}},
			{"dECMC_2_1", "cmc", map[string]any{"l": 2, "c": 1}},
			{"dECMC_2_1", "cmc", nil},
			{"dE00", "ciede2000", nil},
		} {
			in := map[string]any{"first": first, "second": second, "formula": ask.formula}
			for name, w := range ask.weights {
				in[name] = w
			}
			got := run(t, "difference", jsonOf(t, in))
			assert.InDelta(t, cell(t, row, ask.column), got["delta_e"].(float64), 1e-6, "%s of %s", ask.column, row["id"])
			assert.InDelta(t, cell(t, row, "dL"), got["delta_l"].(float64), 1e-6)
			assert.InDelta(t, cell(t, row, "dC"), got["delta_c"].(float64), 1e-6)
			assert.InDelta(t, cell(t, row, "dH"), got["delta_h"].(float64), 1e-6)
		}
	}
}

// ciede2000_sharma_2005.csv: the 34 published pairs, four decimals.
func TestDifferenceOfThePublishedPairs(t *testing.T) {
	rows := colourTable(t, "ciede2000_sharma_2005.csv")
	require.Len(t, rows, 34)
	for _, row := range rows {
		got := run(t, "difference", fmt.Sprintf(
			`{"first": {"l": %s, "a": %s, "b": %s}, "second": {"l": %s, "a": %s, "b": %s}, "formula": "ciede2000"}`,
			row["L1"], row["a1"], row["b1"], row["L2"], row["a2"], row["b2"]))
		assert.InDelta(t, cell(t, row, "dE00"), got["delta_e"].(float64), 1e-4, "pair %s", row["pair"])
	}
}

func TestDifferenceRefuses(t *testing.T) {
	ask := func(first, rest string) string {
		return `{"first": ` + first + `, "second": {"l": 50, "a": 0, "b": 0}, ` + rest + `}`
	}
	const grey = `{"l": 50, "a": 0, "b": 0}`
	for _, bad := range []struct{ in, field, says string }{
		{ask(`{"l": 120, "a": 0, "b": 0}`, `"formula": "cie76"`), "first.l", "must be from 0 to 100"},
		{ask(`{"l": 50, "a": 0, "b": -300}`, `"formula": "cie76"`), "first.b", "must be from -200 to 200"},
		{ask(grey, `"formula": "CIEDE2000"`), "formula", "must be cie76, cie94, cmc or ciede2000"},
		{ask(grey, `"formula": "cmc", "l": 0`), "l", "must be above 0"},
		{ask(grey, `"formula": "cmc", "c": -1`), "c", "must be above 0"},
		{ask(grey, `"formula": "cie94", "l": 3`), "l", "2 for textiles"},
		{ask(grey, `"formula": "cie94", "c": 2`), "c", "must be 1"},
		{ask(grey, `"formula": "cie76", "l": 2`), "l", "leave it out"},
		{ask(grey, `"formula": "ciede2000", "c": 2`), "c", "leave it out"},
		{ask(`{"l": 50, "a": 0}`, `"formula": "cie76"`), "first.b", "is missing"},
	} {
		p := problem(t, "difference", bad.in)
		assert.True(t, names(p, bad.field, bad.says), "%v", p)
	}
}
