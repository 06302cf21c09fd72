package calc

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const plain500 = `{"components": [{"toner": "white", "grams": 700}, {"toner": "blue", "grams": 250}, {"toner": "black", "grams": 50}],
	"amount": {"value": 500, "unit": "g"}, "division": 0.1}`

const withDensity = `{"components": [{"toner": "a", "grams": 408, "density": 1.02}, {"toner": "b", "grams": 108, "density": 1.08}, {"toner": "c", "grams": 87, "density": 0.87}],
	"amount": {"value": 1, "unit": "us_quart"}, "division": 0.1, "tolerance_percent": 10, "cup_empty_grams": 84.3, "high_range": {"from_grams": 600, "division": 0.5}}`

const ready600 = `{"components": [{"toner": "a", "grams": 1, "density": 1.02}, {"toner": "b", "grams": 3, "density": 1.02}], "division": 0.1,
	"amount": {"value": 600, "unit": "ml", "of": "ready", "reduction": {"by": "volume", "paint_parts": 4,
	"parts": [{"name": "hardener", "parts": 1, "density": 1.08}, {"name": "reducer", "parts": 1, "density": 0.87}]}}}`

func TestPlan(t *testing.T) {
	got := run(t, "plan", plain500)
	assert.Equal(t, 500.0, got["grams"])
	assert.NotContains(t, got, "density")
	assert.NotContains(t, got, "millilitres")
	steps := got["steps"].([]any)
	require.Len(t, steps, 3)
	assert.Equal(t, map[string]any{"toner": "blue", "grams": 125.0, "running": 475.0, "reading": 475.0, "net": 125.0, "weighing_percent": 0.08}, steps[1])
	// d/(τ·min w) = 0.1/(0.2·0.05)
	assert.Equal(t, map[string]any{"grams": 10.0, "toner": "black"}, got["smallest"])
	assert.Equal(t, true, got["weighable"])
	assert.Equal(t, []any{map[string]any{"from_grams": 10.0}}, got["weighable_ranges"])
	got = run(t, "plan", strings.Replace(plain500, `"value": 500`, `"value": 9.9`, 1))
	assert.Equal(t, false, got["weighable"])
}

// Worked example in the trade reference: 400/100/100 ml at 1.02/1.08/0.87 weigh 603.0 g, so 1.005 g/ml;
// a US quart is 946.352946 ml (NIST Handbook 44 App. C).
func TestPlanByVolume(t *testing.T) {
	got := run(t, "plan", withDensity)
	assert.InDelta(t, 1.005, got["density"], 1e-12)
	assert.InDelta(t, 946.352946, got["millilitres"], 0.001)
	assert.InDelta(t, 946.352946*1.005, got["grams"], 0.0005)
	// The first reading is 643.5 + 84.3 g gross and so in the coarse range.
	assert.Equal(t, 643.5, got["steps"].([]any)[0].(map[string]any)["reading"])
	assert.InDelta(t, 0.1/(0.1*87/603), got["smallest"].(map[string]any)["grams"], 0.0005)
}

// 600 ml at 4:1:1 by volume is 408.0 g of paint at 1.02 (testdata/trade/mix_ratio_vectors.csv).
func TestPlanReady(t *testing.T) {
	got := run(t, "plan", ready600)
	assert.Equal(t, 408.0, got["grams"])
	assert.Equal(t, 400.0, got["millilitres"])
	// The same by per cent: 2:1 + 10 % of (A+B) in 990 ml has 588.0 g of paint, 315.0 g of hardener.
	got = run(t, "plan", `{"components": [{"toner": "a", "grams": 1}], "division": 0.1, "amount": {"value": 0.99, "unit": "l", "of": "ready",
		"reduction": {"by": "volume", "percent": 10, "of": "paint_and_hardener", "density": 0.87, "hardener": {"grams": 315, "density": 1.05}, "paint": {"density": 0.98}}}}`)
	assert.Equal(t, 588.0, got["grams"])
	// By weight nothing needs a density: 4 parts of 5.
	got = run(t, "plan", `{"components": [{"toner": "a", "grams": 1}], "division": 0.1, "amount": {"value": 500, "unit": "g", "of": "ready",
		"reduction": {"by": "weight", "paint_parts": 4, "parts": [{"name": "reducer", "parts": 1}]}}}`)
	assert.Equal(t, 400.0, got["grams"])
}

func TestPlanRefuses(t *testing.T) {
	for _, c := range []struct{ from, to, field, says string }{
		{`"grams": 250`, `"grams": 0`, "components[1].grams", "above 0"},
		{`"grams": 250`, `"grams": -3`, "components[1].grams", "above 0"},
		{`"grams": 250`, `"grams": 0.0001`, "components[1].grams", "milligram"},
		{`"grams": 250`, `"grams": 1e12`, "components[1].grams", "tonne"},
		{`"grams": 250`, `"grams": 999999`, "components", "tonne"},
		{`"grams": 250`, `"grams": 250, "density": 0`, "components[1].density", "above 0"},
		{`"grams": 250`, `"grams": 250, "density": 1020`, "components[1].density", "g/ml"},
		{`"blue"`, `"white"`, "components[1].toner", "give each once"},
		{`"blue"`, `" "`, "components[1].toner", "enter a name"},
		{`"value": 500`, `"value": 0`, "amount.value", "above 0"},
		{`"value": 500`, `"value": 1e9`, "amount.value", "tonne"},
		{`"unit": "g"`, `"unit": "pint"`, "amount.unit", "us_pint"},
		{`"unit": "g"`, `"unit": "ml"`, "components[0].density", "is missing"},
		{`"unit": "g"`, `"unit": "g", "of": "clear"`, "amount.of", "ready"},
		{`"unit": "g"`, `"unit": "g", "of": "ready"`, "amount.reduction", "is missing"},
		{`"unit": "g"`, `"unit": "g", "reduction": {"by": "weight"}`, "amount.reduction", "ready"},
		{`"unit": "g"`, `"unit": "g", "of": "ready", "reduction": {"by": "weight"}`, "amount.reduction.parts", "is missing"},
		{`"unit": "g"`, `"unit": "g", "of": "ready", "reduction": {"by": "volume", "paint_parts": 4, "parts": [{"name": "r", "parts": 1}]}`, "amount.reduction.parts[0].density", "is missing"},
		{`"division": 0.1`, `"division": 0`, "division", "above 0"},
		{`"division": 0.1`, `"division": 0.00025`, "division", "whole number of milligrams"},
		{`"division": 0.1`, `"division": 2000`, "division", "at most"},
		{`"division": 0.1`, `"division": 0.1, "tolerance_percent": 0`, "tolerance_percent", "above 0"},
		{`"division": 0.1`, `"division": 0.1, "cup_empty_grams": -1`, "cup_empty_grams", "0 or more"},
		{`"division": 0.1`, `"division": 0.1, "high_range": {"from_grams": 10, "division": 0.01}`, "high_range.division", "coarser"},
	} {
		in := strings.Replace(plain500, c.from, c.to, 1)
		require.NotEqual(t, plain500, in)
		p := problem(t, "plan", in)
		assert.True(t, names(p, c.field, c.says), "%s: %v", c.to, p)
	}
	assert.True(t, names(problem(t, "plan", `{"components": [], "amount": {"value": 1, "unit": "g"}, "division": 0.1}`), "components", "empty"))
}

// Lists of some hundred components are served; the limit is stated where it is passed.
func TestPlanOfMany(t *testing.T) {
	many := func(n int) string {
		list := make([]string, n)
		for i := range list {
			list[i] = fmt.Sprintf(`{"toner": "t%d", "grams": %d}`, i, i+1)
		}
		return `{"components": [` + strings.Join(list, ",") + `], "amount": {"value": 20, "unit": "kg"}, "division": 0.1}`
	}
	got := run(t, "plan", many(250))
	assert.Len(t, got["steps"], 250)
	assert.Equal(t, 20000.0, got["steps"].([]any)[249].(map[string]any)["running"])
	assert.True(t, names(problem(t, "plan", many(maxComponents+1)), "components", "1000 is the most"))
}

func FuzzPlan(f *testing.F) {
	seeds(f, plain500, withDensity, ready600)
	f.Fuzz(func(t *testing.T, raw []byte) {
		answer := sound(t, "plan", raw)
		if answer == nil {
			return
		}
		var out planOut
		require.NoError(t, json.Unmarshal(answer, &out))
		var grams, nets float64
		for _, s := range out.Steps {
			require.GreaterOrEqual(t, s.Grams, 0.0)
			require.GreaterOrEqual(t, s.Net, 0.0)
			grams += s.Grams
			nets += s.Net
		}
		last := out.Steps[len(out.Steps)-1]
		near := 1e-9 * (1 + out.Grams)
		require.LessOrEqual(t, math.Abs(grams-out.Grams), near, "lines sum to the batch")
		require.LessOrEqual(t, math.Abs(nets-last.Reading), near, "nets sum to the last reading")
		require.Equal(t, out.Grams, last.Running)
	})
}
