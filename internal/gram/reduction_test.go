package gram

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Source: testdata/trade/mix_ratio_vectors.csv, constructed (no published source); parts by volume.
func TestReduceByRatioVectors(t *testing.T) {
	type row struct{ parts, ml, density, grams float64 }
	cases := map[string][]row{}
	for _, r := range trade(t, "mix_ratio_vectors.csv") {
		cases[r["case"]] = append(cases[r["case"]], row{number(t, r["parts"]), number(t, r["volume_mL"]), number(t, r["density_g_per_mL"]), number(t, r["mass_g"])})
	}
	require.Len(t, cases, 9)
	for name, rows := range cases {
		var parts []Part
		var ready float64
		for i, r := range rows {
			ready += r.ml
			if i > 0 {
				parts = append(parts, Part{fmt.Sprint("part ", i), r.parts, r.density})
			}
		}
		paint, err := ColourForReady(Amount{math.Round(ready), UnitMl}, rows[0].density, rows[0].parts, parts, true)
		require.NoError(t, err, name)
		assert.InDelta(t, rows[0].grams, paint.Grams(), 0.0006, name)
		steps, err := ReduceByRatio(paint, rows[0].density, rows[0].parts, parts, true)
		require.NoError(t, err, name)
		for j, s := range steps {
			assert.InDelta(t, rows[j+1].grams, s.Mass.Grams(), 0.0011, name)
			assert.InDelta(t, rows[j+1].ml, s.Millilitres, 0.0015, name)
		}
		switch {
		case strings.Contains(name, "% of"):
			of := OfPaint
			if strings.Contains(name, "(A+B)") {
				of = OfPaintAndHardener
			}
			steps, err := ReduceByPercent(paint, rows[0].density, 10, of, rows[2].density, Of(rows[1].grams), rows[1].density, true)
			require.NoError(t, err, name)
			assert.InDelta(t, rows[2].grams, steps[0].Mass.Grams(), 0.001, name)
		case strings.Contains(name, "% reduction"):
			var percent float64
			_, err := fmt.Sscanf(name, "%f %%", &percent)
			require.NoError(t, err)
			steps, err := ReduceByPercent(paint, rows[0].density, percent, OfPaint, rows[1].density, 0, 0, true)
			require.NoError(t, err, name)
			assert.InDelta(t, rows[1].grams, steps[0].Mass.Grams(), 0.001, name)
		}
	}
}

// Source: testdata/trade/mix_ratio_published.csv (I-CAR Refinishing Program 1 v.4.2, Module 5, 2002, and a teacher's page).
// All densities 1, so that volumes and weights are the same figures.
func TestReducePublished(t *testing.T) {
	rows := trade(t, "mix_ratio_published.csv")
	require.Len(t, rows, 7)
	for _, r := range rows {
		paint := Of(number(t, r["component_1"]))
		second := number(t, r["component_2"])
		switch {
		case r["ratio"] == "25 %":
			_, percent, err := ParseRatio(r["ratio"])
			require.NoError(t, err)
			steps, err := ReduceByPercent(paint, 1, percent, OfPaint, 1, 0, 0, true)
			require.NoError(t, err)
			assert.Equal(t, Of(second), steps[0].Mass)
		case strings.HasSuffix(r["ratio"], "10-20%"):
			_, _, err := ParseRatio(r["ratio"])
			assert.ErrorContains(t, err, "settle on one figure")
			for percent, column := range map[float64]string{10: "component_3_min", 20: "component_3_max"} {
				steps, err := ReduceByPercent(paint, 1, percent, OfPaint, 1, Of(second), 1, true)
				require.NoError(t, err)
				assert.Equal(t, Of(number(t, r[column])), steps[0].Mass)
			}
		default:
			figures, percent, err := ParseRatio(r["ratio"])
			require.NoError(t, err)
			assert.Zero(t, percent)
			var parts []Part
			for _, f := range figures[1:] {
				parts = append(parts, Part{"part", f, 1})
			}
			steps, err := ReduceByRatio(paint, 1, figures[0], parts, true)
			require.NoError(t, err)
			assert.Equal(t, Of(second), steps[0].Mass)
			if r["component_3_min"] != "" {
				assert.Equal(t, Of(number(t, r["component_3_min"])), steps[1].Mass)
			}
		}
	}
}

// Published: "1:1:10 %" of the mixed product, by the words of the same I-CAR text, would be 15 + 15 + 3.0 to 6.0 where
// taken of the sum of the two parts (its note in mix_ratio_published.csv).
func TestReduceByPercentOfOtherBases(t *testing.T) {
	steps, err := ReduceByPercent(Of(15), 1, 10, OfPaintAndHardener, 1, Of(15), 1, true)
	require.NoError(t, err)
	assert.Equal(t, Of(3), steps[0].Mass)
	// 10 % of the finished mix by hand: x = 0.1·(30 + x), so x = 30/9.
	steps, err = ReduceByPercent(Of(15), 1, 10, OfMix, 1, Of(15), 1, true)
	require.NoError(t, err)
	assert.Equal(t, Mass(3333), steps[0].Mass)
	assert.Equal(t, Mass(33333), steps[0].Running)
	// By weight no density is needed.
	steps, err = ReduceByPercent(Of(200), 0, 25, OfPaint, 0, 0, 0, false)
	require.NoError(t, err)
	assert.Equal(t, ReductionStep{"reducer", Of(50), Of(250), 0}, steps[0])
}

func TestReduceByWeight(t *testing.T) {
	steps, err := ReduceByRatio(Of(400), 0, 4, []Part{{"hardener", 1, 0}, {"reducer", 2, 0.8}}, false)
	require.NoError(t, err)
	assert.Equal(t, []ReductionStep{{"hardener", Of(100), Of(500), 0}, {"reducer", Of(200), Of(700), 250}}, steps)
}

func TestReduceRefuses(t *testing.T) {
	one := []Part{{"reducer", 1, 0.9}}
	for says, f := range map[string]func() error{
		"more than 0 g":              func() error { _, err := ReduceByRatio(0, 1, 1, one, true); return err },
		"nothing but paint":          func() error { _, err := ReduceByRatio(1, 1, 1, nil, true); return err },
		"paint: its parts":           func() error { _, err := ReduceByRatio(1, 1, 0, one, true); return err },
		"paint: the density":         func() error { _, err := ReduceByRatio(1, 0, 1, one, true); return err },
		"reducer: its parts":         func() error { _, err := ReduceByRatio(1, 1, 1, []Part{{"reducer", -1, 1}}, true); return err },
		"reducer: the density":       func() error { _, err := ReduceByRatio(1, 1, 1, []Part{{"reducer", 1, 0}}, true); return err },
		"not a density":              func() error { _, err := ReduceByRatio(1, 1, 1, []Part{{"reducer", 1, -2}}, false); return err },
		"tonne":                      func() error { _, err := ReduceByRatio(1, 1, 1, []Part{{"reducer", 1e300, 1}}, false); return err },
		"per cent must be above 0":   func() error { _, err := ReduceByPercent(1, 1, math.NaN(), OfPaint, 1, 0, 0, true); return err },
		"100 % of the mix":           func() error { _, err := ReduceByPercent(1, 1, 100, OfMix, 1, 0, 0, true); return err },
		"nothing to take a per cent": func() error { _, err := ReduceByPercent(1, 1, 10, "", 1, 0, 0, true); return err },
		"hardener: the density":      func() error { _, err := ReduceByPercent(1, 1, 10, OfMix, 1, 5, 0, true); return err },
		"hardener: it cannot weigh":  func() error { _, err := ReduceByPercent(1, 1, 10, OfMix, 1, -5, 0, true); return err },
		"leaves no room for paint": func() error {
			_, err := ColourForReadyPercent(Amount{1, UnitGram}, 1, Percent{10, OfPaint, 1, Of(2), 1, false})
			return err
		},
		"the amount must be above 0": func() error { _, err := ColourForReady(Amount{-1, UnitGram}, 1, 1, one, true); return err },
		"there is no colour to add":  func() error { _, _, _, err := OverReduced([]float64{1}, []Mass{1}, 1, 1); return err },
		"is not in the formula":      func() error { _, _, _, err := OverReduced([]float64{1, 0}, []Mass{1, 1}, 0, 1); return err },
		"one pour a share":           func() error { _, _, _, err := OverReduced([]float64{1}, nil, 0, 1); return err },
		"paint: the density is":      func() error { _, err := ColourForReady(Amount{1, UnitLitre}, 0, 1, one, false); return err },
	} {
		assert.ErrorContains(t, f(), says)
	}
	var part *PartError
	_, err := ReduceByRatio(1, 1, 1, []Part{{"a", 1, 1}, {"b", 1, 0}}, true)
	require.True(t, errors.As(err, &part))
	assert.Equal(t, 1, part.Index)
	assert.Equal(t, "density", part.Field)
}

// Law: the colour for an amount ready to spray, reduced, is that amount, for every way to state a reduction.
func TestColourForReadyThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		density := func(name string) float64 { return rapid.Float64Range(0.7, 1.8).Draw(t, name) }
		rho := density("paint")
		ready := Amount{rapid.Float64Range(1, 40).Draw(t, "value"), rapid.SampledFrom(Units).Draw(t, "unit")}
		byVolume := rapid.Bool().Draw(t, "by volume")
		volumeOf := func(grams, ml float64) float64 {
			if ready.Unit.IsVolume() {
				return ml / ready.Unit.Millilitres()
			}
			return grams / ready.Unit.Grams()
		}
		near := func(got float64) {
			size := ready.Unit.Grams() + ready.Unit.Millilitres()
			assert.InDelta(t, ready.Value, got, 0.02/size)
		}
		parts := []Part{{"hardener", rapid.Float64Range(0.1, 3).Draw(t, "r1"), density("hardener")}, {"reducer", rapid.Float64Range(0.1, 3).Draw(t, "r2"), density("reducer")}}
		paint, err := ColourForReady(ready, rho, 2, parts, byVolume)
		require.NoError(t, err)
		steps, err := ReduceByRatio(paint, rho, 2, parts, byVolume)
		require.NoError(t, err)
		near(volumeOf(steps[1].Running.Grams(), paint.Grams()/rho+steps[0].Millilitres+steps[1].Millilitres))

		p := Percent{
			rapid.Float64Range(1, 90).Draw(t, "percent"), rapid.SampledFrom([]PercentBase{OfPaint, OfPaintAndHardener, OfMix}).Draw(t, "of"),
			parts[1].Density, nearest(rapid.Float64Range(0, 0.02).Draw(t, "hardener g") * float64(Gram)), parts[0].Density, byVolume,
		}
		paint, err = ColourForReadyPercent(ready, rho, p)
		require.NoError(t, err)
		steps, err = ReduceByPercent(paint, rho, p.Percent, p.Of, p.ReducerDensity, p.Hardener, p.HardenerDensity, byVolume)
		require.NoError(t, err)
		near(volumeOf(steps[0].Running.Grams(), paint.Grams()/rho+p.Hardener.Grams()/p.HardenerDensity+steps[0].Millilitres))
	})
}

func TestOverReduced(t *testing.T) {
	shares, err := ReadyShares(1, 4, []Part{{"hardener", 1, 1}, {"reducer", 1, 1}}, true)
	require.NoError(t, err)
	assert.InDeltaSlice(t, []float64{4.0 / 6, 1.0 / 6, 1.0 / 6}, shares, 1e-15)
	// 400 : 100 : 120 g; 120 g of reducer go with 480 g of paint and 120 g of hardener.
	total, add, enough, err := OverReduced(shares, []Mass{Of(400), Of(100), Of(120)}, 0, Of(90))
	require.NoError(t, err)
	assert.True(t, enough)
	assert.Equal(t, Of(720), total)
	assert.Equal(t, []Mass{Of(80), Of(20), 0}, add)
	// With 40 g of colour left: 440 g of paint take 110 g of hardener; 10 g of reducer stay too much.
	total, add, enough, err = OverReduced(shares, []Mass{Of(400), Of(100), Of(120)}, 0, Of(40))
	require.NoError(t, err)
	assert.False(t, enough)
	assert.Equal(t, Of(670), total)
	assert.Equal(t, []Mass{Of(40), Of(10), 0}, add)
}

func TestParseRatio(t *testing.T) {
	for s, want := range map[string]struct {
		parts   []float64
		percent float64
	}{
		"4:1:1": {[]float64{4, 1, 1}, 0}, "100:50:10": {[]float64{100, 50, 10}, 0}, "2:1 + 10 %": {[]float64{2, 1}, 10},
		"2:1:10%": {[]float64{2, 1}, 10}, "25 %": {nil, 25}, "3 : 1 : 0,5": {[]float64{3, 1, 0.5}, 0}, "1+5%": {[]float64{1}, 5},
	} {
		parts, percent, err := ParseRatio(s)
		require.NoError(t, err, s)
		assert.Equal(t, want.parts, parts, s)
		assert.Equal(t, want.percent, percent, s)
	}
	for s, says := range map[string]string{
		"": "empty", "  ": "empty", "4": "no ratio", "4:": "cannot be read", "4:1:x": "cannot be read", "4:0": "part of 0",
		"4:-1": "settle on one figure", "1:1:10-20%": "settle on one figure", "0 %": "part of 0", "4:1e3": "cannot be read", "1.2.3:1": "cannot be read",
		"%": "cannot be read", "NaN:1": "cannot be read",
	} {
		_, _, err := ParseRatio(s)
		assert.ErrorContains(t, err, says, s)
	}
}

// 600 ml at 4 : 1 : 1 by volume, densities 1.02, 1.08 and 0.87.
func ExampleReduceByRatio() {
	parts := []Part{{"hardener", 1, 1.08}, {"reducer", 1, 0.87}}
	paint, _ := ColourForReady(Amount{600, UnitMl}, 1.02, 4, parts, true)
	fmt.Println("paint", paint)
	steps, _ := ReduceByRatio(paint, 1.02, 4, parts, true)
	for _, s := range steps {
		fmt.Printf("%s %v to %v, %.1f ml\n", s.Name, s.Mass, s.Running, s.Millilitres)
	}
	// Output:
	// paint 408.000 g
	// hardener 108.000 g to 516.000 g, 100.0 ml
	// reducer 87.000 g to 603.000 g, 100.0 ml
}
