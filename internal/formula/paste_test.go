package formula_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

func TestParsePaste(t *testing.T) {
	want := lines(white, 700.0, blue, 250.0, black, 50.0)
	for name, c := range map[string]struct {
		text  string
		basis formula.Basis // found
		want  []formula.Line
	}{
		"tab":                {"White\t700\nBlue\t250\nBlack\t50", formula.Weights, want},
		"tab, spreadsheet":   {"Toner\tWeight (g)\r\nWhite\t700,0\r\nBlue\t250,0\r\nBlack\t50,0\r\n", formula.Weights, want},
		"semicolon":          {"White;700;\nBlue;250;\nBlack;50;", formula.Weights, want},
		"bar":                {"| White | 700 |\n|---|---|\n| Blue | 250 |\n| Black | 50 |", formula.Weights, want},
		"spaces":             {"White      700 g\nBlue       250 g\nBlack       50 g", formula.Weights, want},
		"colon":              {"White: 700\nBlue:250 g\nBlack = 50", formula.Weights, want},
		"trailing":           {"White 700\nBlue 250g\nBlack .... 50 g", formula.Weights, want},
		"comma":              {"White, 700\nBlue, 250\nBlack, 50", formula.Weights, want},
		"hyphen":             {"White - 700\nBlue – 250\nBlack - 50", formula.Weights, want},
		"leading":            {"700 g White\n250 g Blue\n50 g Black", formula.Weights, want},
		"numbered":           {"1. White 700\n2. Blue 250\n3. Black 50", formula.Weights, want},
		"numbered cells":     {"1\tWhite\t700\n2\tBlue\t250\n3\tBlack\t50", formula.Weights, want},
		"code and name":      {"K1\tWhite\t700\nK2\tBlue\t250\nK3\tBlack\t50", formula.Weights, want},
		"unit cell":          {"White\t700\tg\nBlue\t250\tg\nBlack\t50\tg", formula.Weights, want},
		"title and total":    {"Pistachio gate\n\nWhite 700\nBlue 250\nBlack 50\n-----\nTotal 1000 g\n", formula.Weights, want},
		"running by total":   {"White 700\nBlue 950\nBlack 1000\nTotal: 1000", formula.Running, want},
		"running by header":  {"Toner | Running total (g)\nWhite | 700\nBlue | 950\nBlack | 1000", formula.Running, want},
		"both columns":       {"Toner\tg\tRunning\nWhite\t700\t700\nBlue\t250\t950\nBlack\t50\t1000\nTotal\t1000\t1000", formula.Weights, want},
		"per cent signs":     {"White 70 %\nBlue 25%\nBlack 5 %\nTotal 100", formula.Percent, want},
		"per cent header":    {"Toner; % by weight\nWhite;70\nBlue;25\nBlack;5\nTotal;100", formula.Percent, want},
		"per cent of amount": {"Toner; %\nWhite;70\nBlue;25\nBlack;5\nTotal;500 g", formula.Percent, lines(white, 350.0, blue, 125.0, black, 25.0)},
		"parts":              {"Toner\tParts\nWhite\t14\nBlue\t5\nBlack\t1", formula.Parts, want},
		"other scripts":      {"Сажа № 4 12,5\n墨 12 1,5\nÉmeraude\t2,0", formula.Weights, lines(moor, 12.5, ink, 1.5, emerald, 2.0)},
		"spaced thousands":   {"White 1 234,5\nBlue 12,5", formula.Weights, lines(white, 1234.5, blue, 12.5)},
		"one line":           {"White 700", formula.Weights, lines(white, 700.0)},
		"byte order mark":    {"\ufeffWhite 700", formula.Weights, lines(white, 700.0)},
	} {
		t.Run(name, func(t *testing.T) {
			got := formula.ParsePaste(c.text, "", nil, shelf)
			require.Empty(t, got.Problems)
			assert.Equal(t, c.basis, got.Basis)
			assert.NotEmpty(t, got.Why)
			assert.Equal(t, c.want, got.Lines)
			assert.True(t, got.Ready())
			assert.Len(t, got.Rows, len(c.want))
		})
	}
}

func TestParsePasteTellsOfEveryLine(t *testing.T) {
	old := superseded(oxide, "Black", 1.05)
	away := blue
	away.Stocked = false
	got := formula.ParsePaste("Pistachio gate\nToner  Weight\nRed oxide 10\nBlue 5\nWhite 3\nTotal 18\n", "", nil, find(old, away, white))
	require.Empty(t, got.Problems)
	assert.Equal(t, "Pistachio gate", got.Title)
	assert.Equal(t, mass(18), got.Total)
	var statuses []formula.Status
	for _, s := range got.Source {
		statuses = append(statuses, s.Status)
	}
	assert.Equal(t, []formula.Status{formula.Noted, formula.Skipped, formula.Noted, formula.Noted, formula.Fine, formula.Skipped}, statuses)
	assert.Equal(t, []string{"Red oxide is superseded by Black, 1.05 g for each gram."}, got.Source[2].Says)
	assert.Equal(t, []string{"Blue is not stocked."}, got.Source[3].Says)
}

func TestParsePasteRefuses(t *testing.T) {
	var many strings.Builder
	for i := range 200 {
		fmt.Fprintf(&many, "Toner %d\t%d\n", i, 200-i)
	}
	for _, c := range []struct {
		text  string
		basis formula.Basis
		total *gram.Mass
		says  string
	}{
		{"", "", nil, "There is no line with a toner and a weight."},
		{"\n \n", "", nil, "There is no line with a toner and a weight."},
		{"Pistachio gate", "", nil, "There is no line with a toner and a weight."},
		{"White 700\nBlue", "", nil, `Line 2: there is no weight after "Blue".`},
		{"Blue\nWhite 700", "", nil, `Line 1: there is no weight after "Blue".`},
		{"White 700\n\nBlak 5", "", nil, `Line 3: no toner is called "Blak".`},
		{"White 700\nBlue 5\n\nWhite 1", "", nil, "Line 4: White is on line 1 already."},
		{"\nWhite 700\nLake 5", "", nil, "Line 3: Lake belongs to Water base, but line 2 belongs to Solvent base."},
		{"White -700", "", nil, "Line 1: \"-700\" is below 0."},
		{"White 10000 kg", "", nil, "Line 1: 10000 kg is more than any batch."},
		{"White 250 ml", "", nil, `Line 1: "ml" is not a unit of weight`},
		{"White\t1,234", "", nil, `Line 1: "1,234" can mean 1.234 or 1234.`},
		{"White 10\nBlue 20\nBlack 30", "", nil, "The amounts only rise, so they may be running totals. Choose weights or running."},
		{"White 10\nBlue 20\nBlak 30", "", nil, `Line 3: no toner is called "Blak".`},
		{"Toner  Running\nWhite 212.4\nBlue 198", "", nil, "Line 3: the running total falls from 212.4 to 198.0. Check this line or choose single weights."},
		{"White 700\nBlue 250\nTotal 1000", "", nil, "The lines sum to 950.0 g, but the total says 1000.0 g."},
		{"White 700\nBlue 250\nTotal 950\nWhite 3\nTotal 3", "", nil, "Line 5: this is a second total."},
		{"White 700 30\nBlue\t3\t99", "", nil, "Line 2: there is more than one number after \"Blue\"."},
		{"White NaN", formula.Weights, nil, "There is no line with a toner and a weight."},
		{"White 1\nBlue NaN", formula.Weights, nil, "Line 2: there is no weight after \"Blue NaN\"."},
		{"White 1", "grams", nil, "\"grams\" is not a way to give amounts."},
		{"White 1\xff", "", nil, "The text holds bytes that are no text."},
		{many.String(), "", nil, "This list has 200 lines; a formula can have 60."},
		{strings.Repeat("White 700\n", 601), "", nil, "This list has 601 lines; a formula can have 60."},
		{strings.Repeat("White 700\n", formula.MaxPaste/10+1), "", nil, "The text is longer than 1 MB."},
	} {
		got := formula.ParsePaste(c.text, c.basis, c.total, shelf)
		assert.False(t, got.Ready())
		assert.Nil(t, got.Lines)
		assert.Contains(t, got.Problems.Error(), c.says)
	}
}

// A person who has chosen a basis is not asked again.
func TestParsePasteTakesTheChosenBasis(t *testing.T) {
	text := "White 10\nBlue 20\nBlack 30"
	assert.Equal(t, lines(white, 10.0, blue, 20.0, black, 30.0), formula.ParsePaste(text, formula.Weights, nil, shelf).Lines)
	assert.Equal(t, lines(white, 10.0, blue, 10.0, black, 10.0), formula.ParsePaste(text, formula.Running, nil, shelf).Lines)
	assert.Equal(t, lines(white, 100.0, blue, 200.0, black, 300.0), formula.ParsePaste(text, formula.Parts, mass(600), shelf).Lines)
}

// The shelf says whether a number belongs to the name.
func TestParsePasteAsksTheShelf(t *testing.T) {
	white1 := toner(20, "White 1", solvent)
	assert.Equal(t, lines(white1, 234.5), formula.ParsePaste("White 1 234.5", "", nil, find(white, white1)).Lines)
	assert.Equal(t, lines(white, 1234.5), formula.ParsePaste("White 1 234.5", "", nil, find(white)).Lines)
	total := toner(21, "Total", solvent)
	assert.Equal(t, lines(total, 12.0), formula.ParsePaste("Total 12", "", nil, find(total)).Lines)
}

// However a list is written out, what is read is the list.
func TestParsePasteReadsWhatIsWritten(t *testing.T) {
	toners := []formula.Toner{white, blue, black, oxide, moor, ink, emerald}
	rapid.Check(t, func(t *rapid.T) {
		masses := rapid.SliceOfN(rapid.Int64Range(1, 1_000_000), 1, len(toners)).Draw(t, "masses")
		between := rapid.SampledFrom([]string{"\t", ";", " | ", "   ", ": ", " ", " = ", " g\t"}).Draw(t, "between")
		after := rapid.SampledFrom([]string{"", " g", "g", "\t", ";"}).Draw(t, "after")
		var text strings.Builder
		var want []formula.Line
		for i, m := range masses {
			between := strings.TrimPrefix(between, " g")
			fmt.Fprintf(&text, "%s%s%s%s\n", toners[i].Name, between, gram.Mass(m).Show(1), after)
			want = append(want, formula.Line{Toner: toners[i], Mass: gram.Mass(m)})
		}
		got := formula.ParsePaste(text.String(), formula.Weights, nil, shelf)
		require.Empty(t, got.Problems, text.String())
		require.Equal(t, want, got.Lines)
	})
}

func FuzzParsePaste(f *testing.F) {
	for _, s := range []string{
		"White 700\nBlue 250", "White\t1,234\nTotal 3", "| White | 700 |", "Toner;%\nWhite;70\nBlue;30",
		"1. White 1 234,5 g", "墨 12 1,5", "White 1\t2\t3\nBlue = 5 ml", "\ufeff\r\rTotal\t\t", "700 g White",
	} {
		f.Add(s, "")
	}
	f.Add("White 10\nBlue 20\nBlack 30", "running")
	f.Fuzz(func(t *testing.T, text, basis string) {
		got := formula.ParsePaste(text, formula.Basis(basis), nil, shelf)
		require.Equal(t, got.Ready(), len(got.Problems) == 0)
		if got.Ready() {
			require.NoError(t, formula.Check(got.Lines))
			again, ps := formula.ParseLines(got.Basis, got.Rows, got.Total, shelf)
			require.Empty(t, ps)
			require.Equal(t, got.Lines, again, "the form shows what was read")
			return
		}
		require.Nil(t, got.Lines)
		for _, p := range got.Problems {
			require.NotEmpty(t, p.Detail)
			require.LessOrEqual(t, p.Line, len(got.Source))
		}
	})
}
