package formula_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

func rows(cells ...string) []formula.Row {
	var rs []formula.Row
	for i := 0; i < len(cells); i += 2 {
		rs = append(rs, formula.Row{Toner: cells[i], Amount: cells[i+1]})
	}
	return rs
}

func mass(grams float64) *gram.Mass {
	m := gram.Of(grams)
	return &m
}

func TestParseLines(t *testing.T) {
	want := lines(white, 700.0, blue, 250.0, black, 50.0)
	for _, c := range []struct {
		basis formula.Basis
		rows  []formula.Row
		total *gram.Mass
		want  []formula.Line
	}{
		{formula.Weights, rows("White", "700", "Blue", "250,0", "black", "50.0 g"), nil, want},
		{formula.Weights, rows("White", "700", "", "", "Blue", "250", "Black", "50", "", ""), mass(1000), want},
		{formula.Weights, rows("White", "700", "Blue", "250", "Black", "50"), mass(1001), want}, // three half grams and one of rounding
		{formula.Running, rows("White", "700", "Blue", "950", "Black", "1000"), nil, want},
		{formula.Running, rows("White", "700", "Blue", "950", "Black", "1000"), mass(1000), want},
		{formula.Percent, rows("White", "70 %", "Blue", "25", "Black", "5%"), nil, want},
		{formula.Percent, rows("White", "70", "Blue", "25", "Black", "5"), mass(500), lines(white, 350.0, blue, 125.0, black, 25.0)},
		{formula.Percent, rows("White", "70.3", "Blue", "25.1", "Black", "5.1"), mass(1005), lines(white, 703.0, blue, 251.0, black, 51.0)},
		{formula.Parts, rows("White", "14", "Blue", "5", "Black", "1"), nil, want},
		{formula.Weights, rows("Сажа № 4", "12,5", "墨 12", "1.5", "émeraude", "2"), nil, lines(moor, 12.5, ink, 1.5, emerald, 2.0)},
		// The other amounts of the list tell how 1,234 is meant.
		{formula.Weights, rows("White", "1,234", "Blue", "12,5"), nil, lines(white, 1.234, blue, 12.5)},
		{formula.Weights, rows("White", "1,234", "Blue", "12.5"), nil, lines(white, 1234.0, blue, 12.5)},
	} {
		got, ps := formula.ParseLines(c.basis, c.rows, c.total, shelf)
		require.Empty(t, ps)
		assert.Equal(t, c.want, got)
	}
}

func TestParseLinesRefuses(t *testing.T) {
	for _, c := range []struct {
		basis formula.Basis
		rows  []formula.Row
		total *gram.Mass
		says  string
	}{
		{"grams", rows("White", "1"), nil, `"grams" is not a way to give amounts. Choose weights, running, percent or parts.`},
		{formula.Weights, nil, nil, "There are no lines."},
		{formula.Weights, rows("", "", " ", ""), nil, "There are no lines."},
		{formula.Weights, rows("", "5"), nil, "Line 1: there is no toner."},
		{formula.Weights, rows("White", ""), nil, "Line 1: there is no weight."},
		{formula.Weights, rows("White", "700", "", "", "Blak", "5"), nil, `Line 3: no toner is called "Blak". Check the name or put it on the shelf first.`},
		{formula.Weights, rows("White", "NaN"), nil, "Line 1: \"NaN\" is not a weight."},
		{formula.Weights, rows("White", "-5"), nil, "Line 1: \"-5\" is below 0."},
		{formula.Weights, rows("White", "10000 kg"), nil, "Line 1: 10000 kg is more than any batch."},
		{formula.Weights, rows("White", "0"), nil, "Line 1: the weight is 0 g."},
		{formula.Weights, rows("White", "700", "", "", "White", "5"), nil, "Line 3: White is on line 1 already."},
		{formula.Weights, rows("", "", "White", "700", "Lake", "5"), nil, "Line 3: Lake belongs to Water base, but line 2 belongs to Solvent base."},
		{formula.Weights, rows("White", "1,234", "Blue", "2,345"), nil, `Line 1: "1,234" can mean 1.234 or 1234.`},
		{formula.Weights, rows("White", "1.234", "Blue", "2,5"), nil, `Line 1: "1.234" can mean 1,234 or 1234. Write 1,234 or 1234.`},
		{formula.Weights, rows("White", "700", "Blue", "250"), mass(1000), "The lines sum to 950.0 g, but the total says 1000.0 g."},
		{formula.Weights, rows("White", "700"), mass(0), "An amount of 0.0 g cannot be kept."},
		{formula.Running, rows("White", "212.4", "Blue", "198"), nil, "Line 2: the running total falls from 212.4 to 198.0. Check this line or choose single weights."},
		{formula.Running, rows("White", "212.4", "Blue", "212.4"), nil, "Line 2: the running total stays at 212.4"},
		{formula.Percent, rows("White", "70", "Blue", "29.4"), nil, "The per cents sum to 99.4, not to 100."},
		{formula.Percent, rows("White", "70", "Blue", "31"), nil, "The per cents sum to 101, not to 100."},
		{formula.Percent, rows("White", "170"), nil, "Line 1: \"170\" is more than 100 per cent."},
		{formula.Percent, rows("White", "%"), nil, "Line 1: there are no per cent."},
		{formula.Percent, rows("White", "100", "Blue", "0.00000001"), nil, "Line 2: this share is less than a milligram of 1000.0 g."},
		{formula.Parts, rows("White", "0"), nil, "Line 1: \"0\" parts is not above 0."},
		{formula.Parts, rows("White", "-1"), nil, "Line 1: \"-1\" parts is not above 0."},
		{formula.Weights, rows("White\x07", "1"), nil, "Line 1: the toner holds a line break, a tab or another control character."},
	} {
		got, ps := formula.ParseLines(c.basis, c.rows, c.total, shelf)
		assert.Nil(t, got)
		assert.Contains(t, ps.Error(), c.says)
	}
}

func TestParseLinesRefusesTooMany(t *testing.T) {
	var many []formula.Row
	for range 200 {
		many = append(many, formula.Row{Toner: "White", Amount: "1"})
	}
	_, ps := formula.ParseLines(formula.Weights, many, nil, shelf)
	require.Len(t, ps, 1)
	assert.Equal(t, "This list has 200 lines; a formula can have 60. Check that it is one formula.", ps[0].Error())
}

// However shares are given they come to the stated amount to the milligram, each line within a milligram of its share.
func TestSharesSumToTheAmount(t *testing.T) {
	toners := []formula.Toner{white, blue, black, oxide, moor, ink, emerald}
	rapid.Check(t, func(t *rapid.T) {
		parts := rapid.SliceOfN(rapid.IntRange(1, 1000), 1, len(toners)).Draw(t, "parts")
		amount := gram.Mass(rapid.Int64Range(100_000, 10_000_000).Draw(t, "amount"))
		var rs []formula.Row
		sum := 0
		for i, p := range parts {
			rs = append(rs, formula.Row{Toner: toners[i].Name, Amount: gram.Of(float64(p)).Show(gram.Gram)})
			sum += p
		}
		got, ps := formula.ParseLines(formula.Parts, rs, &amount, shelf)
		require.Empty(t, ps)
		require.Equal(t, amount, formula.Sum(got))
		for i, p := range parts {
			require.InDelta(t, float64(amount)*float64(p)/float64(sum), float64(got[i].Mass), 1.001)
		}
	})
}

// A list of running totals says the same as the list of its weights.
func TestRunningIsTheSumOfWeights(t *testing.T) {
	toners := []formula.Toner{white, blue, black, oxide, moor, ink, emerald}
	rapid.Check(t, func(t *rapid.T) {
		masses := rapid.SliceOfN(rapid.Int64Range(1, 1_000_000), 1, len(toners)).Draw(t, "masses")
		var single, running []formula.Row
		var total gram.Mass
		for i, m := range masses {
			total += gram.Mass(m)
			single = append(single, formula.Row{Toner: toners[i].Name, Amount: gram.Mass(m).Show(1)})
			running = append(running, formula.Row{Toner: toners[i].Name, Amount: total.Show(1)})
		}
		a, ps := formula.ParseLines(formula.Weights, single, &total, shelf)
		require.Empty(t, ps)
		b, ps := formula.ParseLines(formula.Running, running, &total, shelf)
		require.Empty(t, ps)
		require.Equal(t, a, b)
	})
}
