package calc

import (
	"fmt"
	"maps"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func matchAsk(t *testing.T, change map[string]any) map[string]any {
	in := map[string]any{
		"pigments": tintToners(), "target": mixed(t, tintToners(), share{"white", 90}, share{"black", 2}, share{"blue", 8}),
		"k1": 0.04, "k2": 0.6, "specular": "included", "illuminants": []string{"D65", "A", "F11"}, "observer": "10", "most_toners": 3,
	}
	maps.Copy(in, change)
	for name, v := range in {
		if v == nil {
			delete(in, name)
		}
	}
	return in
}

// A target that blend made is matched by what it was made of.
func TestMatch(t *testing.T) {
	got := run(t, "match", jsonOf(t, matchAsk(t, map[string]any{"division": 0.1, "grams": 200})))["formulas"].([]any)
	require.NotEmpty(t, got)
	best := got[0].(map[string]any)
	want := map[string]float64{"white": 180, "black": 4, "blue": 16}
	sum := 0.0
	require.Len(t, best["parts"], 3)
	for _, p := range best["parts"].([]any) {
		p := p.(map[string]any)
		assert.InDelta(t, want[p["toner"].(string)], p["grams"].(float64), 0.101)
		sum += p["grams"].(float64)
	}
	assert.InDelta(t, 200, sum, 1e-9)
	require.Len(t, best["delta_e"], 3)
	for _, d := range best["delta_e"].([]any) {
		assert.Less(t, d.(float64), 0.05)
	}
	assert.LessOrEqual(t, len(got), 5)
	assert.Len(t, run(t, "match", jsonOf(t, matchAsk(t, map[string]any{"best": 1})))["formulas"], 1)
	sum = 0
	for _, p := range run(t, "match", jsonOf(t, matchAsk(t, map[string]any{"best": 1})))["formulas"].([]any)[0].(map[string]any)["parts"].([]any) {
		sum += p.(map[string]any)["grams"].(float64)
	}
	assert.InDelta(t, 100, sum, 1e-9)
}

func TestMatchByPrice(t *testing.T) {
	dear, cheap := flatPigment("dear", 8, 0.1), flatPigment("cheap", 8, 0.1)
	for _, price := range []map[string]float64{{"white": 5, "dear": 40, "cheap": 20}, {"white": 5, "dear": 4, "cheap": 20}} {
		got := run(t, "match", jsonOf(t, matchAsk(t, map[string]any{
			"pigments": []pigmentIn{flatPigment("white", 0.002, 1), dear, cheap}, "price": price, "most_toners": 2,
			"target": mixed(t, tintToners(), share{"white", 90}, share{"black", 10}),
		})))["formulas"].([]any)
		want := "cheap"
		if price["dear"] < price["cheap"] {
			want = "dear"
		}
		assert.Equal(t, want, got[0].(map[string]any)["parts"].([]any)[1].(map[string]any)["toner"])
	}
}

func TestMatchRefuses(t *testing.T) {
	bad := func(field, says string, change map[string]any) {
		t.Helper()
		p := problem(t, "match", jsonOf(t, matchAsk(t, change)))
		assert.True(t, names(p, field, says), "%v", p)
	}
	bad("target", "darker than the surface alone", map[string]any{"target": flatSpectrum(0.01)})
	bad("target", "is missing", map[string]any{"target": nil})
	bad("most_toners", "is missing", map[string]any{"most_toners": nil})
	bad("most_toners", "must be from 1 to 6", map[string]any{"most_toners": 0})
	bad("division", "must be a whole number of milligrams", map[string]any{"division": 0.0001})
	bad("division", "no more than the grams", map[string]any{"division": 10, "grams": 5})
	bad("grams", "must be above 0", map[string]any{"grams": -1})
	bad("best", "must be from 1 to 100", map[string]any{"best": 0})
	bad("price", `has none for "blue"`, map[string]any{"price": map[string]float64{"white": 1, "black": 2}})
	bad("price.green", "not among the pigments", map[string]any{"price": map[string]float64{"white": 1, "black": 2, "blue": 1, "green": 1}})
	bad("price.white", "must be 0 or more", map[string]any{"price": map[string]float64{"white": -1, "black": 2, "blue": 1}})
	bad("illuminants", "is empty", map[string]any{"illuminants": []string{}})
	bad("specular", "included or excluded", map[string]any{"specular": "both"})
	var many []pigmentIn
	for i := range 60 {
		many = append(many, flatPigment(fmt.Sprint(i), float64(i), 1))
	}
	bad("most_toners", "sets of toners to try", map[string]any{"pigments": many, "most_toners": 4})
	bad("pigments", "sets of toners to try", map[string]any{"pigments": many, "most_toners": 6})
}

func FuzzMatch(f *testing.F) {
	seeds(f, `{}`, `{"pigments": [{"toner": "w", "start": 400, "step": 10, "k": [0], "s": [1]}], "most_toners": 1, "price": {"w": 1}}`)
	f.Fuzz(func(t *testing.T, raw []byte) { sound(t, "match", raw) })
}
