package calc

import (
	"maps"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func flatPigment(toner string, k, s float64) pigmentIn {
	p := pigmentIn{Toner: toner, Start: 400, Step: 10}
	for range 31 {
		p.K, p.S = append(p.K, k), append(p.S, s)
	}
	return p
}

func flatSpectrum(v float64) spectrum {
	s := spectrum{Start: 400, Step: 10}
	for range 31 {
		s.Values = append(s.Values, v)
	}
	return s
}

// blendAsk is a whole input in which single fields can be changed.
func blendAsk(change map[string]any) map[string]any {
	in := map[string]any{
		"pigments": []pigmentIn{flatPigment("white", 0, 1), flatPigment("black", 1, 0)},
		"parts":    []share{{"white", 300}, {"black", 100}},
		"k1":       0.04, "k2": 0.6, "specular": "included", "illuminant": "D65", "observer": "10",
	}
	maps.Copy(in, change)
	for name, v := range in {
		if v == nil {
			delete(in, name)
		}
	}
	return in
}

// A quarter of a black with K 1 in a white with S 1 has K/S of 1/3, of which R∞ is 0.4514162 by hand
// (4/3 - √(1/9 + 2/3) = 1.3333333 - 0.8819171); km_opaque_worked.csv and km_film_worked.csv give the rest.
func TestBlend(t *testing.T) {
	at550 := func(got map[string]any) float64 {
		s := got["spectrum"].(map[string]any)
		assert.InDelta(t, 400, s["start"], 0)
		assert.InDelta(t, 10, s["step"], 0)
		require.Len(t, s["values"], 31)
		return s["values"].([]any)[15].(float64)
	}
	got := run(t, "blend", jsonOf(t, blendAsk(map[string]any{"k1": 0, "k2": 0})))
	assert.InDelta(t, 0.4514162, at550(got), 1e-7)
	assert.InDelta(t, 45.14162, got["xyz"].([]any)[1].(float64), 1e-5)
	assert.InDelta(t, 0, got["lab"].(map[string]any)["a"].(float64), 1e-9)

	for _, row := range colourTable(t, "km_opaque_worked.csv") {
		ask := map[string]any{
			"pigments": []pigmentIn{flatPigment("grey", cell(t, row, "K_over_S"), 1)}, "parts": []share{{"grey", 1}},
		}
		assert.InDelta(t, cell(t, row, "Rm_k1_0.04_k2_0.60"), at550(run(t, "blend", jsonOf(t, blendAsk(ask)))), 1e-9)
		ask["specular"] = "excluded"
		assert.InDelta(t, cell(t, row, "Rm_k1_0.04_k2_0.60")-0.04, at550(run(t, "blend", jsonOf(t, blendAsk(ask)))), 1e-9)
	}
	for _, row := range colourTable(t, "km_film_worked.csv") {
		got := run(t, "blend", jsonOf(t, blendAsk(map[string]any{
			"pigments": []pigmentIn{flatPigment("grey", cell(t, row, "K"), cell(t, row, "S"))}, "parts": []share{{"grey", 5}},
			"k1": 0, "k2": 0, "over": flatSpectrum(cell(t, row, "Rg")), "thickness": cell(t, row, "X"),
		})))
		assert.InDelta(t, cell(t, row, "R"), at550(got), 1e-9)
	}
}

func TestBlendRefuses(t *testing.T) {
	bad := func(field, says string, change map[string]any) {
		t.Helper()
		p := problem(t, "blend", jsonOf(t, blendAsk(change)))
		assert.True(t, names(p, field, says), "%v", p)
	}
	broken := flatPigment("black", 1, 0)
	broken.K[4] = -1
	short := flatPigment("black", 1, 0)
	short.S = short.S[:30]
	late := flatPigment("black", 1, 0)
	late.Start = 410
	shifted := flatPigment("black", 1, 0)
	shifted.Start = 395
	white := flatPigment("white", 0, 1)
	bad("pigments[1].k[4]", "must be 0 or above", map[string]any{"pigments": []pigmentIn{white, broken}})
	bad("pigments[1].s", "30 values of S for 31 wavelengths", map[string]any{"pigments": []pigmentIn{white, short}})
	bad("pigments[1].start", "bands are missing", map[string]any{"pigments": []pigmentIn{white, late}})
	bad("pigments[1].k", "must reach 700 nm", map[string]any{"pigments": []pigmentIn{white, shifted}})
	bad("pigments[1].toner", "give each once", map[string]any{"pigments": []pigmentIn{white, white}})
	bad("pigments", "is empty", map[string]any{"pigments": []pigmentIn{}})
	bad("parts", "is empty", map[string]any{"parts": []share{}})
	bad("parts[1].toner", "no colour data", map[string]any{"parts": []share{{"white", 1}, {"green", 1}}})
	bad("parts[1].toner", "give each once", map[string]any{"parts": []share{{"white", 1}, {"white", 1}}})
	bad("parts[0].grams", "must be 0 or more", map[string]any{"parts": []share{{"white", -1}, {"black", 3}}})
	bad("parts", "add up to nothing", map[string]any{"parts": []share{{"white", 0}}})
	bad("k1", "at least 0 and below 1", map[string]any{"k1": 1})
	bad("k2", "at least 0 and below 1", map[string]any{"k2": -0.5})
	bad("k2", "is missing", map[string]any{"k2": nil})
	bad("specular", "included or excluded", map[string]any{"specular": "both"})
	bad("illuminant", "is not an illuminant", map[string]any{"illuminant": "TL"})
	bad("thickness", "is missing", map[string]any{"over": flatSpectrum(0.5)})
	bad("over", "is missing", map[string]any{"thickness": 1})
	bad("thickness", "must be above 0", map[string]any{"over": flatSpectrum(0.5), "thickness": 0})
	bad("over.values[0]", "divide all values by 100", map[string]any{"over": flatSpectrum(50), "thickness": 1})
	bad("over", "darker than the surface alone", map[string]any{"over": flatSpectrum(0.02), "thickness": 1})
	bad("parts", "neither absorbs nor scatters", map[string]any{"pigments": []pigmentIn{white, flatPigment("clear", 0, 0)}, "parts": []share{{"clear", 1}}})
}
