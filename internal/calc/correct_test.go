package calc

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func corrected(t *testing.T, in string) (correctOut, map[string]correctChoice) {
	t.Helper()
	var buf bytes.Buffer
	require.NoError(t, Run("correct", strings.NewReader(in), &buf))
	var out correctOut
	d := json.NewDecoder(&buf)
	d.DisallowUnknownFields()
	require.NoError(t, d.Decode(&out))
	by := map[string]correctChoice{}
	for _, c := range out.Choices {
		by[c.Choice] = c
	}
	require.Contains(t, by, out.Recommended)
	assert.Equal(t, out.Choices[0].Choice, out.Recommended)
	return out, by
}

const threeToners = `"components": [{"toner": "white", "grams": 700, "density": 1.3, "strength": "weak"},
	{"toner": "blue", "grams": 250, "density": 1.1, "strength": "medium"}, {"toner": "black", "grams": 50, "density": 1.0, "strength": "strong"}],
	"grams": 500, "division": 0.1, `

// Worked by exact arithmetic: T' = 27/0.05 = 540; with room for 520 g, 493.0 in the ratio 700 : 250.
func TestCorrectWorked(t *testing.T) {
	_, by := corrected(t, `{`+threeToners+`"poured": [{"toner": "black", "grams": 27}]}`)
	assert.Equal(t, correctChoice{
		Choice: "exact", Add: []tonerGrams{{"white", 378}, {"blue", 135}}, Grams: 540, ExtraGrams: 40, Fits: true, WorstPercent: by["exact"].WorstPercent,
	}, by["exact"])
	assert.InDelta(t, 0, by["exact"].WorstPercent, 1e-9)
	assert.InDelta(t, 27/502./0.05*100-100, by["carry_on"].WorstPercent, 1e-9)
	assert.NotContains(t, by, "lift_out", "nobody said what lies on top")
	assert.NotContains(t, by, "pour_off")
	assert.NotContains(t, by, "fit_cup")
	assert.Equal(t, 27.0, by["start_again"].DiscardedGrams)

	_, by = corrected(t, `{`+threeToners+`"poured": [{"toner": "white", "grams": 350}, {"toner": "blue", "grams": 130}], "last": "blue"}`)
	assert.Equal(t, []tonerGrams{{"white", 14}, {"black", 26}}, by["exact"].Add)
	assert.Equal(t, 20.0, by["exact"].ExtraGrams)
	assert.Equal(t, 5.0, by["lift_out"].DiscardedGrams)

	_, by = corrected(t, `{`+threeToners+`"poured": [{"toner": "black", "grams": 27}], "cup": {"grams": 520}}`)
	assert.Equal(t, []tonerGrams{{"white", 363.3}, {"blue", 129.7}}, by["fit_cup"].Add)
	assert.Equal(t, 520.0, by["fit_cup"].Grams)
	assert.False(t, by["exact"].Fits)
	assert.True(t, by["bigger_cup"].Fits)
	assert.Equal(t, 4.0, by["bigger_cup"].DiscardedGrams)

	_, by = corrected(t, `{`+threeToners+`"poured": [{"toner": "white", "grams": 350}, {"toner": "blue", "grams": 125}, {"toner": "black", "grams": 27}], "stirred": true}`)
	off := by["pour_off"]
	assert.InDelta(t, 37.2, off.DiscardedGrams, 0.05)
	assert.InDelta(t, 25.9, off.Add[0].Grams, 0.05)
	assert.InDelta(t, 9.3, off.Add[1].Grams, 0.05)
	assert.Equal(t, 500.0, off.Grams)
	assert.Nil(t, off.ForeignPercent)
}

func TestCorrectRoomByVolume(t *testing.T) {
	// 1000/(700/1.3 + 250/1.1 + 50/1.0) = 1.225889 g/ml; 430 ml are 527.132 g.
	_, by := corrected(t, `{`+threeToners+`"poured": [{"toner": "black", "grams": 27}], "cup": {"millilitres": 430}}`)
	assert.InDelta(t, 527.1, by["fit_cup"].Grams, 1e-9)
	assert.LessOrEqual(t, by["fit_cup"].Grams, 527.132)
	_, by = corrected(t, `{`+threeToners+`"poured": [{"toner": "black", "grams": 27}], "cup": {"millilitres": 430, "scale_grams": 510}}`)
	assert.Equal(t, 510.0, by["fit_cup"].Grams)
	assert.NotContains(t, by, "bigger_cup", "a bigger cup does not help the scale")
}

func TestCorrectForeign(t *testing.T) {
	_, by := corrected(t, `{`+threeToners+`"poured": [{"toner": "white", "grams": 350}, {"toner": "green", "grams": 12}]}`)
	assert.NotContains(t, by, "exact")
	require.NotNil(t, by["carry_on"].ForeignPercent)
	assert.InDelta(t, 1200/512., *by["carry_on"].ForeignPercent, 1e-9)
}

func TestCorrectProblems(t *testing.T) {
	poured := `"poured": [{"toner": "black", "grams": 27}]`
	for field, in := range map[string]string{
		"components":            `{"components": [], "grams": 5, "division": 0.1, ` + poured + `}`,
		"components[0].grams":   `{"components": [{"toner": "a", "grams": -1}], "grams": 5, "division": 0.1, ` + poured + `}`,
		"components[1].toner":   `{"components": [{"toner": "a", "grams": 1}, {"toner": "a", "grams": 1}], "grams": 5, "division": 0.1, ` + poured + `}`,
		"components[0].density": `{"components": [{"toner": "a", "grams": 1}], "grams": 5, "division": 0.1, "cup": {"millilitres": 9}, ` + poured + `}`,
		"components[0].strength": `{"components": [{"toner": "a", "grams": 1, "strength": "huge"}], "grams": 5, "division": 0.1, ` +
			poured + `}`,
		"grams":           `{"components": [{"toner": "a", "grams": 1}], "grams": 0, "division": 0.1, ` + poured + `}`,
		"division":        `{"components": [{"toner": "a", "grams": 1}], "grams": 5, "division": 0, ` + poured + `}`,
		"poured":          `{` + threeToners + `"poured": []}`,
		"poured[0].grams": `{` + threeToners + `"poured": [{"toner": "black", "grams": -27}]}`,
		"poured[1].toner": `{` + threeToners + `"poured": [{"toner": "black", "grams": 2}, {"toner": "black", "grams": 2}]}`,
		"last":            `{` + threeToners + `"last": "white", ` + poured + `}`,
		"cup":             `{` + threeToners + `"cup": {}, ` + poured + `}`,
		"cup.grams":       `{` + threeToners + `"cup": {"grams": 1, "millilitres": 1}, ` + poured + `}`,
		"cup.millilitres": `{` + threeToners + `"cup": {"millilitres": 0}, ` + poured + `}`,
		"cup.scale_grams": `{` + threeToners + `"cup": {"scale_grams": -3}, ` + poured + `}`,
		"limit":           `{` + threeToners + `"limit": 0, ` + poured + `}`,
		"pigments":        `{` + threeToners + `"pigments": [{"toner": "white", "start": 400, "step": 10, "k": [1], "s": [1]}], ` + poured + `}`,
		"observer":        `{` + threeToners + `"observer": "10", ` + poured + `}`,
		"colour":          `{` + threeToners + `"colour": 1, ` + poured + `}`,
	} {
		var buf bytes.Buffer
		var p *Problem
		require.True(t, errors.As(Run("correct", strings.NewReader(in), &buf), &p), field)
		require.NotEmpty(t, p.Errors, "%s: %v", field, p)
		assert.Equal(t, field, p.Errors[0].Field, "%v", p)
		assert.Empty(t, buf.String())
	}
}
