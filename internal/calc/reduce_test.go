package calc

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const byVolume = `{"paint": {"grams": 408, "density": 1.02}, "paint_parts": 4, "by": "volume",
	"parts": [{"name": "hardener", "parts": 1, "density": 1.08}, {"name": "reducer", "parts": 1, "density": 0.87}]}`

const byPercent = `{"paint": {"grams": 588, "density": 0.98}, "percent": 10, "of": "paint_and_hardener", "density": 0.87, "by": "volume",
	"hardener": {"grams": 315, "density": 1.05}}`

// Source: testdata/trade/mix_ratio_vectors.csv, "4:1:1 in 600 mL".
func TestReduceByRatio(t *testing.T) {
	got := run(t, "reduce", byVolume)
	want := `{"steps": [{"name": "hardener", "grams": 108, "running": 516, "millilitres": 100}, {"name": "reducer", "grams": 87, "running": 603, "millilitres": 100}],
		"grams": 603, "millilitres": 600}`
	assert.InDelta(t, 600, got["millilitres"], 1e-9)
	got["millilitres"] = 600.0
	raw, err := json.Marshal(got)
	require.NoError(t, err)
	assert.JSONEq(t, want, string(raw))
}

// Source: testdata/trade/mix_ratio_vectors.csv, "2:1 + 10 % of (A+B) in 990 mL".
func TestReduceByPercent(t *testing.T) {
	got := run(t, "reduce", byPercent)
	step := got["steps"].([]any)[0].(map[string]any)
	assert.Equal(t, "reducer", step["name"])
	assert.Equal(t, 78.3, step["grams"])
	assert.Equal(t, 981.3, step["running"])
	assert.InDelta(t, 90, step["millilitres"], 1e-9)
	assert.Equal(t, 981.3, got["grams"])
	assert.InDelta(t, 990, got["millilitres"], 1e-9)
	// "10 % of A" in the same table: 606.375 g of paint, 53.8312 g of reducer.
	got = run(t, "reduce", `{"paint": {"grams": 606.375, "density": 0.98}, "percent": 10, "of": "paint", "density": 0.87, "by": "volume"}`)
	assert.InDelta(t, 53.8312, got["grams"].(float64)-606.375, 0.001)
}

func TestReduceByWeightWithoutDensity(t *testing.T) {
	got := run(t, "reduce", `{"paint": {"grams": 400}, "paint_parts": 4, "parts": [{"name": "reducer", "parts": 1}], "by": "weight"}`)
	assert.Equal(t, map[string]any{"name": "reducer", "grams": 100.0, "running": 500.0}, got["steps"].([]any)[0])
	assert.NotContains(t, got, "millilitres")
}

func TestReduceRefuses(t *testing.T) {
	for _, c := range []struct{ in, from, to, field, says string }{
		{byVolume, `"by": "volume"`, `"by": "mass"`, "by", "volume"},
		{byVolume, `"density": 1.02`, `"density": null`, "paint.density", "is missing"},
		{byVolume, `, "density": 0.87`, ``, "parts[1].density", "is missing"},
		{byVolume, `"grams": 408`, `"grams": 0`, "paint.grams", "above 0"},
		{byVolume, `"paint_parts": 4`, `"paint_parts": 0`, "paint_parts", "above 0"},
		{byVolume, `"paint_parts": 4, `, ``, "paint_parts", "is missing"},
		{byVolume, `"paint_parts": 4`, `"paint_parts": 4, "percent": 10`, "percent", "not both"},
		{byVolume, `"parts": 1, "density": 1.08`, `"parts": -1, "density": 1.08`, "parts[0].parts", "above 0"},
		{byVolume, `"parts": 1, "density": 1.08`, `"parts": 1e300, "density": 1.08`, "parts[0].parts", "tonne"},
		{byVolume, `"reducer"`, `"hardener"`, "parts[1].name", "give each once"},
		{byPercent, `"of": "paint_and_hardener", `, ``, "of", "paint_and_hardener"},
		{byPercent, `"percent": 10, `, ``, "percent", "is missing"},
		{byPercent, `"percent": 10, "of": "paint_and_hardener"`, `"percent": 100, "of": "mix"`, "percent", "100 %"},
		{byPercent, `, "density": 1.05`, ``, "hardener.density", "is missing"},
		{byPercent, `"hardener": {"grams": 315, "density": 1.05}`, `"hardener": null`, "hardener", "is missing"},
		{`{"paint": {"grams": 1}, "by": "weight"}`, `1`, `2`, "parts", "is missing"},
		{`{"paint": {"grams": 1}, "by": "weight", "paint_parts": 1, "parts": []}`, `1`, `2`, "parts", "empty"},
	} {
		in := strings.Replace(c.in, c.from, c.to, 1)
		require.NotEqual(t, c.in, in)
		p := problem(t, "reduce", in)
		assert.True(t, names(p, c.field, c.says), "%s: %v", c.to, p)
	}
}

func FuzzReduce(f *testing.F) {
	seeds(f, byVolume, byPercent, `{"paint": {"grams": 400}, "paint_parts": 4, "parts": [{"name": "reducer", "parts": 1}], "by": "weight"}`)
	f.Fuzz(func(t *testing.T, raw []byte) {
		answer := sound(t, "reduce", raw)
		if answer == nil {
			return
		}
		var out reduceOut
		require.NoError(t, json.Unmarshal(answer, &out))
		last := 0.0
		for _, s := range out.Steps {
			require.GreaterOrEqual(t, s.Grams, 0.0)
			require.GreaterOrEqual(t, s.Running, last)
			last = s.Running
		}
		require.LessOrEqual(t, math.Abs(last-out.Grams), 1e-9*(1+last))
	})
}
