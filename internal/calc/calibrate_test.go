package calc

import (
	"maps"
	"math/rand/v2"
	"regexp"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// hiding is a sample of a film that hides, as blend predicts it.
func hiding(t *testing.T, parts ...share) map[string]any {
	return map[string]any{"parts": parts, "readings": []any{map[string]any{"spectrum": mixed(t, tintToners(), parts...)}}}
}

// overBoth is a sample of a film over black and white, as blend predicts it.
func overBoth(t *testing.T, thickness float64, parts ...share) map[string]any {
	var readings []any
	for _, g := range []float64{0.06, 0.8} {
		got := run(t, "blend", jsonOf(t, blendAsk(map[string]any{"pigments": tintToners(), "parts": parts, "over": flatSpectrum(g), "thickness": thickness})))
		readings = append(readings, map[string]any{"spectrum": got["spectrum"], "over": flatSpectrum(g)})
	}
	return map[string]any{"parts": parts, "readings": readings}
}

func calibrateAsk(t *testing.T, change map[string]any) map[string]any {
	in := map[string]any{
		"samples": []any{
			overBoth(t, 1.3, share{"white", 1}), hiding(t, share{"black", 1}), hiding(t, share{"white", 19}, share{"black", 1}), hiding(t, share{"white", 1}, share{"black", 1}),
			overBoth(t, 2, share{"blue", 1}), hiding(t, share{"white", 9}, share{"blue", 1}), hiding(t, share{"blue", 19}, share{"black", 1}),
		},
		"k1": 0.04, "k2": 0.6, "specular": "included", "white": "white",
	}
	maps.Copy(in, change)
	for name, v := range in {
		if v == nil {
			delete(in, name)
		}
	}
	return in
}

// What blend predicts from invented data is calibrated, and what blend predicts from that is the same: also of mixtures
// that no sample shows, and in films.
func TestCalibrate(t *testing.T) {
	got := run(t, "calibrate", jsonOf(t, calibrateAsk(t, nil)))
	assert.Empty(t, got["undetermined"])
	assert.NotNil(t, got["undetermined"])
	assert.Less(t, got["residual"].(map[string]any)["worst"].(float64), 0.02)
	pigments := got["pigments"].([]any)
	require.Len(t, pigments, 3)
	mean := 0.0
	for _, s := range pigments[0].(map[string]any)["s"].([]any) {
		mean += s.(float64) / 31
	}
	assert.Equal(t, "white", pigments[0].(map[string]any)["toner"])
	assert.InDelta(t, 1, mean, 1e-9)
	for _, change := range []map[string]any{
		{"parts": []share{{"white", 70}, {"black", 1}, {"blue", 29}}},
		{"parts": []share{{"white", 40}, {"black", 3}, {"blue", 57}}, "over": flatSpectrum(0.05), "thickness": 0.7},
	} {
		labs := [2]map[string]any{}
		for i, p := range []any{tintToners(), pigments} {
			change["pigments"] = p
			labs[i] = run(t, "blend", jsonOf(t, blendAsk(change)))["lab"].(map[string]any)
		}
		d := run(t, "difference", jsonOf(t, map[string]any{"first": labs[0], "second": labs[1], "formula": "ciede2000"}))
		assert.Less(t, d["delta_e"].(float64), 0.1)
	}
}

// What the samples leave open is said.
func TestCalibrateSaysWhatIsOpen(t *testing.T) {
	got := run(t, "calibrate", jsonOf(t, calibrateAsk(t, map[string]any{"samples": []any{
		hiding(t, share{"white", 1}), hiding(t, share{"black", 1}), hiding(t, share{"white", 19}, share{"black", 1}), hiding(t, share{"blue", 1}),
	}})))
	assert.Contains(t, got["undetermined"], "blue", "a masstone alone tells K/S, not K and S")
}

func TestCalibrateRefuses(t *testing.T) {
	bad := func(field, says string, change map[string]any) {
		t.Helper()
		p := problem(t, "calibrate", jsonOf(t, calibrateAsk(t, change)))
		assert.True(t, names(p, field, says), "%v", p)
	}
	white, black := hiding(t, share{"white", 1}), hiding(t, share{"black", 1})
	one := overBoth(t, 1, share{"white", 9}, share{"black", 1})
	one["readings"] = one["readings"].([]any)[:1]
	twice := hiding(t, share{"white", 9}, share{"black", 1})
	twice["readings"] = append(twice["readings"].([]any), twice["readings"].([]any)[0])
	none := hiding(t, share{"white", 9}, share{"black", 1})
	none["readings"] = []any{}
	dark := hiding(t, share{"white", 9}, share{"black", 1})
	dark["readings"] = []any{map[string]any{"spectrum": flatSpectrum(0.01)}}
	percent := hiding(t, share{"white", 9}, share{"black", 1})
	percent["readings"] = []any{map[string]any{"spectrum": flatSpectrum(60)}}
	dull := overBoth(t, 1, share{"white", 9}, share{"black", 1})
	dull["readings"].([]any)[1].(map[string]any)["over"] = flatSpectrum(0.02)
	bad("samples[2].readings[0].over", "does not tell how much of it is the ground", map[string]any{"samples": []any{white, black, one}})
	bad("samples[2].readings[1].over", "two readings need their grounds", map[string]any{"samples": []any{white, black, twice}})
	bad("samples[2].readings", "is empty", map[string]any{"samples": []any{white, black, none}})
	bad("samples[2].readings[0].spectrum", "darker than the surface alone", map[string]any{"samples": []any{white, black, dark}})
	bad("samples[2].readings[0].spectrum.values[0]", "divide all values by 100", map[string]any{"samples": []any{white, black, percent}})
	bad("samples[2].readings[1].over", "darker than the surface alone", map[string]any{"samples": []any{white, black, dull}})
	bad("samples[0].parts[1].grams", "must be 0 or more", map[string]any{"samples": []any{map[string]any{"parts": []share{{"white", 1}, {"black", -1}}, "readings": white["readings"]}}})
	bad("samples", "is empty", map[string]any{"samples": []any{}})
	bad("samples", "black only comes in one mixture", map[string]any{"white": "black", "samples": []any{hiding(t, share{"black", 1}, share{"white", 9})}})
	bad("white", "is in none of the samples", map[string]any{"white": "chalk"})
	bad("white", "is missing", map[string]any{"white": nil})
	bad("k1", "at least 0 and below 1", map[string]any{"k1": -1})
	bad("specular", "included or excluded", map[string]any{"specular": ""})
}

func FuzzCalibrate(f *testing.F) {
	seeds(f, `{}`, `{"samples": [{"parts": [{"toner": "w", "grams": 1}], "readings": [{"spectrum": {"start": 400, "step": 10, "values": [0.5]}}]}], "k1": 0, "k2": 0, "specular": "included", "white": "w"}`)
	f.Fuzz(func(t *testing.T, raw []byte) { sound(t, "calibrate", raw) })
}

// Whole inputs with single numbers swapped for odd ones are answered or refused with a field, never neither.
func TestSolversStandOddNumbers(t *testing.T) {
	odd := []string{"0", "-1", "1e-300", "1e300", "0.999999999", "1000000", "3"}
	number := regexp.MustCompile(`-?[0-9][0-9.eE+-]*`)
	rng := rand.New(rand.NewPCG(3, 4))
	for name, in := range map[string]string{
		"tint": jsonOf(t, tintAsk(t, nil)), "match": jsonOf(t, matchAsk(t, nil)), "calibrate": jsonOf(t, calibrateAsk(t, nil)),
	} {
		places := number.FindAllStringIndex(in, -1)
		for range 150 {
			at := places[rng.IntN(len(places))]
			sound(t, name, []byte(in[:at[0]]+odd[rng.IntN(len(odd))]+in[at[1]:]))
		}
	}
}
