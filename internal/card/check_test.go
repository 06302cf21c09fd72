package card

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/colour"
	"pourbook/internal/formula"
)

func sound() Card {
	return Card{
		FormulaID: 1, BatchSeq: 12, Coats: 2, Gun: "1.3 mm", Pressure: "2,0 bar", Distance: "150 mm", Undercoat: "grau 3", Notes: "two\nlines",
		Steps:    []Step{{MidCoats: 1, Word: "not enough"}, {MidCoats: 2, Word: "цвет совпал", Chosen: true}},
		Verdicts: []Verdict{{Daylight, Face, [5]int{-3, 3, 0, 1, -1}}, {Daylight, Flop, [5]int{}}},
		Readings: []Measured{{Geometry: "45/0", Lab: colour.Lab{L: 50, A: -12, B: 8}}, {Geometry: "15", Lab: colour.Lab{L: 140, A: 1, B: 1}}},
		Decision: EdgeToEdge,
	}
}

func TestCheckLetsASoundCardPass(t *testing.T) {
	assert.NoError(t, Check(sound()))
	assert.NoError(t, Check(Card{FormulaID: 1}), "a card that was only just sprayed")
}

func TestCheckRefuses(t *testing.T) {
	cases := map[string]struct {
		field string
		spoil func(*Card)
	}{
		"a word too long":          {"gun", func(c *Card) { c.Gun = strings.Repeat("ö", MostWord+1) }},
		"a line break in a word":   {"pressure", func(c *Card) { c.Pressure = "2\n3" }},
		"a NUL":                    {"size", func(c *Card) { c.Size = "a\x00b" }},
		"bytes that are no text":   {"by", func(c *Card) { c.By = "\xff" }},
		"a lost character":         {"undercoat", func(c *Card) { c.Undercoat = "gr�n" }},
		"a megabyte of notes":      {"notes", func(c *Card) { c.Notes = strings.Repeat("x", 1<<20) }},
		"coats below none":         {"coats", func(c *Card) { c.Steps, c.Coats = nil, -1 }},
		"coats beyond a panel":     {"coats", func(c *Card) { c.Steps, c.Coats = nil, MostCoats+1 }},
		"other coats than chosen":  {"coats", func(c *Card) { c.Coats = 3 }},
		"a ninth step":             {"steps", func(c *Card) { c.Steps[0].MidCoats = 9 }},
		"a step of nothing":        {"steps", func(c *Card) { c.Steps[0].MidCoats = 0 }},
		"a step twice":             {"steps", func(c *Card) { c.Steps[0].MidCoats = 2 }},
		"a step's word":            {"step 1", func(c *Card) { c.Steps[0].Word = strings.Repeat("x", MostWord+1) }},
		"two chosen":               {"chosen", func(c *Card) { c.Steps[0].Chosen = true }},
		"decided, and none chosen": {"chosen", func(c *Card) { c.Steps[1].Chosen = false }},
		"a fourth step off":        {"daylight face", func(c *Card) { c.Verdicts[0].Off[1] = 4 }},
		"far off the other way":    {"daylight flop", func(c *Card) { c.Verdicts[1].Off[4] = math.MinInt }},
		"a light twice":            {"daylight face", func(c *Card) { c.Verdicts[1] = c.Verdicts[0] }},
		"an unknown light":         {"verdicts", func(c *Card) { c.Verdicts[0].Light = "moon" }},
		"an unknown side":          {"verdicts", func(c *Card) { c.Verdicts[0].Side = "" }},
		"no number":                {"reading 45/0", func(c *Card) { c.Readings[0].Lab.A = math.NaN() }},
		"no number at the face":    {"reading 15", func(c *Card) { c.Readings[1].Lab.L = math.NaN() }},
		"endless":                  {"reading 45/0", func(c *Card) { c.Readings[0].Lab.L = math.Inf(1) }},
		"darker than black":        {"reading 45/0", func(c *Card) { c.Readings[0].Lab.L = -1 }},
		"brighter than white":      {"reading 45/0", func(c *Card) { c.Readings[0].Lab.L = 140 }},
		"brighter than flake":      {"reading 15", func(c *Card) { c.Readings[1].Lab.L = 201 }},
		"no surface is so green":   {"reading 15", func(c *Card) { c.Readings[1].Lab.A = -201 }},
		"a geometry twice":         {"reading 45/0", func(c *Card) { c.Readings[1] = c.Readings[0] }},
		"an unknown geometry":      {"readings", func(c *Card) { c.Readings[0].Geometry = strings.Repeat("∠", 5000) }},
		"a long illuminant":        {"reading 45/0", func(c *Card) { c.Readings[0].Illuminant = strings.Repeat("D", 201) }},
		"a decision of its own":    {"decision", func(c *Card) { c.Steps, c.Decision = nil, "perhaps" }},
		"before its batch":         {"batch", func(c *Card) { c.BatchSeq = -1 }},
	}
	for name, tc := range cases {
		t.Run(name, func(t *testing.T) {
			c := sound()
			tc.spoil(&c)
			err := Check(c)
			var ps formula.Problems
			require.ErrorAs(t, err, &ps)
			require.True(t, slices.ContainsFunc(ps, func(p formula.Problem) bool { return p.Field == tc.field }), "%v", ps)
			for _, p := range ps {
				assert.Less(t, len(p.Error()), 300, "a sentence, not an echo")
				assert.True(t, strings.HasSuffix(p.Detail, "."), p.Detail)
			}
		})
	}
}

func TestAnOpenCardNeedsNoChosenStep(t *testing.T) {
	for _, d := range []Decision{Open, No} {
		c := sound()
		c.Steps[1].Chosen, c.Decision = false, d
		assert.NoError(t, Check(c), "%q", d)
	}
}

// Whatever a verdict within the seven steps says, its words name an axis exactly where it is off.
func TestWordsNameWhatIsOff(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := Verdict{Light: Daylight, Side: Face}
		for i := range v.Off {
			v.Off[i] = rapid.IntRange(-3, 3).Draw(t, "step")
		}
		words := v.String()
		for i, step := range v.Off {
			if got, want := strings.Contains(words, Axes[i].More), step > 0; got != want {
				t.Fatalf("%v says %q", v.Off, words)
			}
			if got, want := strings.Contains(words, Axes[i].Less), step < 0; got != want {
				t.Fatalf("%v says %q", v.Off, words)
			}
		}
		if (words == "match") != (v.Off == [5]int{}) {
			t.Fatalf("%v says %q", v.Off, words)
		}
	})
}

// The pair and its difference are the first of Sharma, Wu, Dalal, Color Res. Appl. 30(1), 21–30, 2005, table 1.
func TestFromTarget(t *testing.T) {
	target := colour.Lab{L: 50, A: 2.6772, B: -79.7751}
	for _, geometry := range []string{"45/0", "d/8", "45"} {
		deltaE, ok := Measured{Geometry: geometry, Lab: colour.Lab{L: 50, A: 0, B: -82.7485}}.FromTarget(target)
		assert.True(t, ok)
		assert.InDelta(t, 2.0425, deltaE, 0.00005)
	}
	for _, geometry := range []string{"15", "25", "75", "110"} {
		_, ok := Measured{Geometry: geometry, Lab: target}.FromTarget(target)
		assert.False(t, ok, "a flat target says nothing at %s degrees", geometry)
	}
}

func TestMainReading(t *testing.T) {
	_, ok := Card{Readings: []Measured{{Geometry: "15"}, {Geometry: "110"}}}.Main()
	assert.False(t, ok)
	m, ok := Card{Readings: []Measured{{Geometry: "45"}, {Geometry: "d/8"}}}.Main()
	assert.True(t, ok)
	assert.Equal(t, "d/8", m.Geometry)
}
