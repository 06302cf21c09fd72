package pigment

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/colour"
	"pourbook/internal/gram"
)

func matchAsk(target colour.Spectrum) MatchAsk {
	return MatchAsk{
		Target: target, Lights: threeLights, Observer: colour.TenDegrees, MostToners: 3, Amount: 100 * gram.Gram, Division: 100 * gram.Milligram, Best: 5,
	}
}

// A colour that the palette can make is found again, whatever it was made of.
func TestMatchFindsTheFormula(t *testing.T) {
	palette := some(t, "zinc_white", "bone_black", "vermillion", "cobalt_blue", "chrome_yellow", "viridian_green", "ultramarine_blue", "minium")
	rapid.Check(t, func(rt *rapid.T) {
		parts := make([]float64, 8)
		parts[0] = rapid.Float64Range(20, 80).Draw(rt, "white")
		a := rapid.IntRange(1, 7).Draw(rt, "one")
		b := rapid.IntRange(1, 7).Draw(rt, "two")
		parts[a] += rapid.Float64Range(5, 30).Draw(rt, "of one")
		parts[b] += rapid.Float64Range(5, 30).Draw(rt, "of two")
		target := predict(rt, palette, parts...)
		got, err := palette.Match(matchAsk(target))
		require.NoError(rt, err)
		require.NotEmpty(rt, got)
		require.Less(rt, got[0].Worst, 0.15, "%v: %v", parts, got[0])
		sum := gram.Mass(0)
		for _, m := range got[0].Parts {
			require.GreaterOrEqual(rt, m, gram.Mass(0))
			require.Zero(rt, m%100)
			sum += m
		}
		require.Equal(rt, 100*gram.Gram, sum)
		for i := 1; i < len(got); i++ {
			require.GreaterOrEqual(rt, tenths(got[i].Worst), tenths(got[i-1].Worst))
		}
	})
}

// Against every mixture of four toners in steps of 2 % (23 426 of them): none may be better than what was found for
// lack of a good start.
func TestMatchAgainstAllMixtures(t *testing.T) {
	palette := some(t, "zinc_white", "bone_black", "vermillion", "cobalt_blue")
	weights := d65(t)
	all := openPalette(t)
	for trial := range 6 {
		parts := make([]float64, 16) // a colour made of others
		parts[0], parts[2+trial], parts[3+2*trial%7], parts[15] = 40, 20, 12, 10
		target := predict(t, all, parts...)
		best := math.Inf(1)
		lab := weights.Lab(target.Values())
		for a := 0; a <= 100; a += 2 {
			for b := 0; a+b <= 100; b += 2 {
				for c := 0; a+b+c <= 100; c += 2 {
					k := make([]float64, 31)
					for i := range k {
						x := [4]float64{float64(a), float64(b), float64(c), float64(100 - a - b - c)}
						kk, ss := 0.0, 0.0
						for j, v := range x {
							kk += v * palette.k[j][i]
							ss += v * palette.s[j][i]
						}
						k[i] = openSurface.Measured(Opaque(kk, ss))
					}
					best = math.Min(best, colour.DeltaE2000(lab, weights.Lab(k)))
				}
			}
		}
		ask := matchAsk(target)
		ask.MostToners, ask.Lights = 4, threeLights[:1]
		got, err := palette.Match(ask)
		require.NoError(t, err)
		assert.LessOrEqual(t, got[0].Worst, best+0.05, "trial %d", trial)
		assert.InDelta(t, colour.DeltaE2000(lab, weights.Lab(predict(t, palette, gramsOf(got[0].Parts)...).Values())), got[0].Worst, 1e-9)
	}
}

func gramsOf(m []gram.Mass) []float64 {
	out := make([]float64, len(m))
	for i, v := range m {
		out[i] = v.Grams()
	}
	return out
}

// The index that a match is ranked by is the one of package colour.
func TestMatchMetamerism(t *testing.T) {
	palette := some(t, "zinc_white", "bone_black", "vermillion", "cobalt_blue")
	target := predict(t, openPalette(t), 50, 1, 5, 0, 10, 0, 0, 0, 3, 0, 0, 0, 0, 0, 0, 0)
	for _, lights := range [][]colour.Illuminant{threeLights, {colour.D65}, {colour.A}} {
		ask := matchAsk(target)
		ask.Lights = lights
		got, err := palette.Match(ask)
		require.NoError(t, err)
		others := lights[1:]
		if len(others) == 0 {
			others = []colour.Illuminant{map[colour.Illuminant]colour.Illuminant{colour.D65: colour.A, colour.A: colour.D65}[lights[0]]}
		}
		for _, m := range got {
			sample, want := predict(t, palette, gramsOf(m.Parts)...), 0.0
			for _, other := range others {
				v, err := colour.Metamerism(target, sample, lights[0], other, colour.TenDegrees)
				require.NoError(t, err)
				want = math.Max(want, v)
			}
			assert.InDelta(t, want, m.Metamerism, 1e-9)
		}
	}
}

func TestMatchTakesTheCheaperOfTwoAlike(t *testing.T) {
	open := openPigments(t)
	twin := open[1]
	twin.Name = "twin"
	palette, err := NewPalette([]Pigment{open[0], open[1], twin}, openSurface)
	require.NoError(t, err)
	ask := matchAsk(predict(t, palette, 80, 20, 0))
	ask.MostToners, ask.Price = 2, []float64{10, 50, 20}
	got, err := palette.Match(ask)
	require.NoError(t, err)
	assert.Equal(t, masses(80, 0, 20), got[0].Parts)
	assert.InDelta(t, 0.08*10+0.02*20, got[0].Cost, 1e-9)
	assert.Equal(t, masses(80, 20, 0), got[1].Parts)
}

func TestMatchStops(t *testing.T) {
	palette := openPalette(t)
	ask := matchAsk(predict(t, palette, 50, 1, 5, 0, 10, 0, 0, 0, 3, 0, 0, 0, 0, 0, 0, 0))
	asked, last := 0, 0
	ask.Progress = func(done, total int) {
		assert.Equal(t, 16+120+560, total)
		assert.GreaterOrEqual(t, done, last)
		last = done
	}
	ask.Stop = func() bool { asked++; return asked > 2 }
	_, err := palette.Match(ask)
	assert.ErrorIs(t, err, ErrStopped)
	assert.Equal(t, 512, last)
	ask.Stop, last = nil, 0
	_, err = palette.Match(ask)
	require.NoError(t, err)
	assert.Equal(t, 16+120+560, last)
}

func TestMatchRefusesBadInput(t *testing.T) {
	palette := some(t, "zinc_white", "bone_black")
	good := matchAsk(predict(t, palette, 10, 1))
	for says, change := range map[string]func(*MatchAsk){
		"there is no target: give the spectrum of the colour to match":            func(a *MatchAsk) { a.Target = colour.Spectrum{} },
		"a formula of 0 toners was asked for: choose 1 to 6":                      func(a *MatchAsk) { a.MostToners = 0 },
		"the amount is 0.000 g: it must be above 0":                               func(a *MatchAsk) { a.Amount = 0 },
		"the division is 0.000 g: it must be above 0 and no more than the amount": func(a *MatchAsk) { a.Division = 0 },
		"no formula was asked for: ask for at least one":                          func(a *MatchAsk) { a.Best = 0 },
		"there are 1 prices for 2 toners: give one for each":                      func(a *MatchAsk) { a.Price = []float64{1} },
		"the price of bone_black is -1: it must be 0 or above":                    func(a *MatchAsk) { a.Price = []float64{1, -1} },
		"no light is named: choose at least one, usually D65":                     func(a *MatchAsk) { a.Lights = nil },
	} {
		ask := good
		change(&ask)
		_, err := palette.Match(ask)
		assert.EqualError(t, err, says)
	}
	ask := good
	ask.MostToners = 6
	_, err := many(t, 60).Match(ask)
	assert.ErrorContains(t, err, "sets of toners to try: leave out toners or ask for formulas of fewer")
}

func BenchmarkMatch24(b *testing.B) {
	palette := many(b, 24)
	parts := make([]float64, 24)
	parts[0], parts[3], parts[17], parts[5], parts[20] = 50, 5, 8, 3, 2
	ask := matchAsk(predict(b, palette, parts...))
	ask.MostToners = 4
	for b.Loop() {
		got, err := palette.Match(ask)
		require.NoError(b, err)
		sink = got[0].Worst
	}
}

// Data at the ends of what a float holds are answered with a sentence or with figures, never with neither.
func TestExtremeDataLeadToNoNonsense(t *testing.T) {
	flat := func(name string, k, s float64) Pigment {
		p := Pigment{Name: name, Grid: colour.Paint()}
		for range 31 {
			p.K, p.S = append(p.K, k), append(p.S, s)
		}
		return p
	}
	values := []float64{0, 1e-300, 1e-9, 1, 1e9, 1e300}
	for _, k := range values {
		for _, s := range values {
			for _, k2 := range values {
				palette, err := NewPalette([]Pigment{flat("one", k, s), flat("two", k2, 1), flat("three", 0.1, 0)}, openSurface)
				require.NoError(t, err)
				ask := matchAsk(grey(t, 0.3))
				got, err := palette.Match(ask)
				if err == nil {
					for _, m := range got {
						require.False(t, math.IsNaN(m.Worst) || math.IsInf(m.Worst, 0) || math.IsNaN(m.Metamerism), "%v %v %v", k, s, k2)
					}
				}
				tint, err := palette.Tint(TintAsk{
					In: masses(10, 10, 1), Card: grey(t, 0.4), Target: grey(t, 0.3), Lights: threeLights, Observer: colour.TenDegrees,
					Limit: 0.3, Division: 10, MostToners: 3,
				})
				if err == nil {
					require.False(t, math.IsNaN(tint.After) || math.IsInf(tint.After, 0) || tint.After > tint.Before+1e-9, "%v %v %v: %v", k, s, k2, tint)
				}
			}
		}
	}
}
