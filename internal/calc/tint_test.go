package calc

import (
	"maps"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// mixed is what blend predicts of parts, as the spectrum of a card.
func mixed(t *testing.T, pigments []pigmentIn, parts ...share) map[string]any {
	t.Helper()
	return run(t, "blend", jsonOf(t, map[string]any{
		"pigments": pigments, "parts": parts, "k1": 0.04, "k2": 0.6, "specular": "included", "illuminant": "D65", "observer": "10",
	}))["spectrum"].(map[string]any)
}

// bluish is a toner that absorbs towards the red.
func bluish() pigmentIn {
	p := pigmentIn{Toner: "blue", Start: 400, Step: 10}
	for i := range 31 {
		p.K, p.S = append(p.K, 0.1+0.1*float64(i)), append(p.S, 0.2)
	}
	return p
}

func tintToners() []pigmentIn {
	return []pigmentIn{flatPigment("white", 0.002, 1), flatPigment("black", 8, 0.1), bluish()}
}

func tintAsk(t *testing.T, change map[string]any) map[string]any {
	toners := tintToners()
	in := map[string]any{
		"pigments": toners, "cup": []share{{"white", 200}, {"black", 2}},
		"card": mixed(t, toners, share{"white", 200}, share{"black", 2}), "target": mixed(t, toners, share{"white", 200}, share{"black", 2.5}),
		"k1": 0.04, "k2": 0.6, "specular": "included", "illuminants": []string{"D65", "A"}, "observer": "10", "limit": 0.5, "division": 0.01,
	}
	maps.Copy(in, change)
	for name, v := range in {
		if v == nil {
			delete(in, name)
		}
	}
	return in
}

// Half a gram of black is what the card wants; as the limit allows some of it to be left out, a little less.
func TestTint(t *testing.T) {
	got := run(t, "tint", jsonOf(t, tintAsk(t, nil)))
	before, after := got["before"].(map[string]any)["delta_e"].(float64), got["after"].(map[string]any)["delta_e"].(float64)
	assert.Greater(t, before, 1.0)
	assert.LessOrEqual(t, after, 0.5)
	add := got["add"].([]any)
	require.Len(t, add, 1)
	one := add[0].(map[string]any)
	assert.Equal(t, "black", one["toner"])
	assert.Greater(t, one["grams"].(float64), 0.3)
	assert.Less(t, one["grams"].(float64), 0.5)
	assert.InDelta(t, 202+one["grams"].(float64), got["grams"].(float64), 1e-9)

	// What it becomes, by blend and difference.
	lab := func(black float64) map[string]any {
		return run(t, "blend", jsonOf(t, blendAsk(map[string]any{"pigments": tintToners(), "parts": []share{{"white", 200}, {"black", black}}})))["lab"].(map[string]any)
	}
	d := run(t, "difference", jsonOf(t, map[string]any{"first": lab(2.5), "second": lab(2 + one["grams"].(float64)), "formula": "ciede2000"}))
	assert.InDelta(t, d["delta_e"].(float64), after, 1e-2, "a grey is the same under both lights, but for the blue's absence")

	right := run(t, "tint", jsonOf(t, tintAsk(t, map[string]any{"target": mixed(t, tintToners(), share{"white", 200}, share{"black", 2})})))
	assert.Empty(t, right["add"])
	assert.NotNil(t, right["add"])
	assert.InDelta(t, 202, right["grams"].(float64), 0)

	none := run(t, "tint", jsonOf(t, tintAsk(t, map[string]any{"most_toners": 0})))
	assert.Empty(t, none["add"])
	bluer := run(t, "tint", jsonOf(t, tintAsk(t, map[string]any{
		"target": mixed(t, tintToners(), share{"white", 200}, share{"black", 2}, share{"blue", 3}), "prefer": []string{"blue"}, "room_grams": 250,
	})))
	require.Len(t, bluer["add"], 1)
	assert.Equal(t, "blue", bluer["add"].([]any)[0].(map[string]any)["toner"])
}

func TestTintRefuses(t *testing.T) {
	bad := func(field, says string, change map[string]any) {
		t.Helper()
		p := problem(t, "tint", jsonOf(t, tintAsk(t, change)))
		assert.True(t, names(p, field, says), "%v", p)
	}
	bad("cup", "is empty", map[string]any{"cup": []share{}})
	bad("cup", "add up to nothing", map[string]any{"cup": []share{{"white", 0}}})
	bad("cup[1].toner", "no colour data", map[string]any{"cup": []share{{"white", 1}, {"green", 1}}})
	bad("card.values[0]", "divide all values by 100", map[string]any{"card": flatSpectrum(50)})
	bad("card", "darker than the surface alone", map[string]any{"card": flatSpectrum(0.01)})
	bad("target", "darker than the surface alone", map[string]any{"target": flatSpectrum(0.01)})
	bad("target", "is missing", map[string]any{"target": nil})
	bad("illuminants", "is empty", map[string]any{"illuminants": []string{}})
	bad("illuminants[1]", "is not an illuminant", map[string]any{"illuminants": []string{"D65", "TL"}})
	bad("illuminants[1]", "give each once", map[string]any{"illuminants": []string{"D65", "D65"}})
	bad("observer", "is not a standard observer", map[string]any{"observer": "5"})
	bad("limit", "must be above 0", map[string]any{"limit": 0})
	bad("division", "must be above 0", map[string]any{"division": 0})
	bad("prefer[0]", "no colour data", map[string]any{"prefer": []string{"green"}})
	bad("prefer[1]", "give each once", map[string]any{"prefer": []string{"black", "black"}})
	bad("most_toners", "must be from 0 to 6", map[string]any{"most_toners": 7})
	bad("room_grams", "is less than the 202.000 g in the cup", map[string]any{"room_grams": 100})
	bad("k1", "at least 0 and below 1", map[string]any{"k1": 1})
	bad("pigments", "is empty", map[string]any{"pigments": []pigmentIn{}, "cup": []share{{"white", 1}}})
}

func FuzzTint(f *testing.F) {
	seeds(f, `{}`, `{"pigments": [{"toner": "w", "start": 400, "step": 10, "k": [0], "s": [1]}], "cup": [{"toner": "w", "grams": 1}]}`)
	f.Fuzz(func(t *testing.T, raw []byte) { sound(t, "tint", raw) })
}
