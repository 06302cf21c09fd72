package pour

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

// mixed is a full, stirred cup of 500 g at 1.1 g/ml.
func mixed(t *testing.T, change func(*Request)) *mixer {
	r := request()
	r.Cup.Brim = 0
	if change != nil {
		change(&r)
	}
	m := newMixer(t, r)
	m.place(t)
	m.rest(t)
	m.do(t, Stirred{})
	return m
}

func TestReduceWholeCup(t *testing.T) {
	m := mixed(t, nil)
	red, rows, err := PlanReduction(m.s, ReductionRequest{Ratio: twoToOne()})
	require.NoError(t, err)
	assert.False(t, red.NewCup)
	assert.Equal(t, g(500), red.Portion)
	assert.Equal(t, "2 paint : 1 hardener : 0.5 reducer by volume", red.Ratio)
	// 500/1.1 = 454.545 ml; half of it at 1.05, a quarter at 0.85.
	assert.Equal(t, g(238.636), rows[1].Mass)
	assert.Equal(t, g(96.591), rows[2].Mass)
	assert.InDelta(t, 227.27, rows[1].Millilitres, 0.01)
	assert.Equal(t, formula.Hardener, red.Parts[0].Role)
	m.do(t, red)
	m.pour(t, m.s.Todo[0].Aim)
	assert.False(t, m.s.ActivatedAt.IsZero(), "the clock starts with the hardener")
	m.pour(t, m.s.Todo[0].Aim)
	m.do(t, Stirred{})
	refusal(t, m.try(Finished{Kept: g(1)}), Impossible)
	m.do(t, Finished{})
}

func TestReduceWithoutHardener(t *testing.T) {
	m := mixed(t, nil)
	red, rows, err := PlanReduction(m.s, ReductionRequest{
		Percent: &Thinning{Part: formula.Part{Name: "thinner", Density: 0.85}, Percent: 25, Of: OfPaint, By: "volume"},
	})
	require.NoError(t, err)
	assert.InDelta(t, 500/1.1/4, rows[1].Millilitres, 1e-3, "25 % of paint: one part to four")
	assert.Equal(t, "25 % thinner, of the paint, by volume", red.Ratio)
	m.do(t, red)
	m.rest(t)
	assert.True(t, m.s.ActivatedAt.IsZero(), "no hardener, no clock")
	m.do(t, Stirred{})
	m.do(t, Finished{Kept: g(300)})
}

func TestReduceByPercent(t *testing.T) {
	m := mixed(t, nil)
	hardener := &formula.Ratio{Paint: 4, By: "weight", Parts: []formula.Part{{Name: "hardener", Kind: formula.Hardener, Parts: 1}}}
	thin := func(of Basis) ReductionRequest {
		return ReductionRequest{Ratio: hardener, Percent: &Thinning{Part: formula.Part{Name: "thinner"}, Percent: 20, Of: of, By: "weight"}}
	}
	for of, want := range map[Basis]float64{OfPaint: 100, OfPaintAndHardener: 125, OfMix: 625 * 0.25} {
		red, rows, err := PlanReduction(m.s, thin(of))
		require.NoError(t, err)
		assert.Equal(t, g(125), rows[1].Mass)
		assert.Equal(t, g(want), rows[2].Mass, of)
		assert.Zero(t, rows[2].Millilitres, "by weight no density is needed")
		assert.Contains(t, red.Ratio, "4 paint : 1 hardener by weight, then 20 % thinner, of ")
	}
}

func TestReductionProblems(t *testing.T) {
	m := mixed(t, nil)
	part := func(p formula.Part) *formula.Ratio {
		return &formula.Ratio{Paint: 1, By: "weight", Parts: []formula.Part{p}}
	}
	h := formula.Part{Name: "hardener", Kind: formula.Hardener, Parts: 1}
	amount := func(v float64, u gram.Unit) *gram.Amount { return &gram.Amount{Value: v, Unit: u} }
	for field, r := range map[string]ReductionRequest{
		"ratio":                    {},
		"reduction.paint":          {Ratio: &formula.Ratio{By: "weight", Parts: []formula.Part{h}}},
		"reduction.parts":          {Ratio: &formula.Ratio{Paint: 1, By: "weight"}},
		"reduction.by":             {Ratio: &formula.Ratio{Paint: 1, Parts: []formula.Part{h}}},
		"reduction.parts[0].kind":  {Ratio: part(formula.Part{Name: "x", Parts: 1})},
		"reduction.parts[0].parts": {Ratio: part(formula.Part{Name: "x", Kind: formula.Reducer})},
		"ratio.parts":              {Ratio: &formula.Ratio{Paint: 1, By: "volume", Parts: []formula.Part{h}}},
		"portion":                  {Ratio: part(h), Portion: amount(501, gram.UnitGram)},
		"percent.by":               {Percent: &Thinning{Percent: 5, Of: OfPaint}},
		"percent.of":               {Percent: &Thinning{Percent: 5, Of: "all", By: "weight"}},
		"percent.percent":          {Percent: &Thinning{Percent: 100, Of: OfMix, By: "weight"}},
	} {
		_, _, err := PlanReduction(m.s, r)
		var p *Problem
		require.True(t, errors.As(err, &p), field)
		assert.Equal(t, field, p.Field, p.Detail)
		assert.NotContains(t, p.Detail, "gram:")
	}
	_, _, err := PlanReduction(m.s, ReductionRequest{Ratio: part(h), Portion: amount(0, gram.UnitGram)})
	assert.Error(t, err)
	m.s.Plan.Balance.Max = g(900)
	_, _, err = PlanReduction(m.s, ReductionRequest{Ratio: part(h)})
	assert.ErrorContains(t, err, "more than this scale can carry")
	m.s.Plan.Balance.Max, m.s.Cup.Brim = 0, 600
	_, _, err = PlanReduction(m.s, ReductionRequest{Ratio: twoToOne()})
	assert.ErrorContains(t, err, "600 ml to the brim")
	m.s.Components[0].Density = 0
	_, _, err = PlanReduction(m.s, ReductionRequest{Ratio: twoToOne()})
	assert.ErrorContains(t, err, "The density of Chalk is not known")
}

func TestForgedReductions(t *testing.T) {
	m := mixed(t, nil)
	fresh := func() Reduced {
		red, _, err := PlanReduction(m.s, ReductionRequest{Ratio: twoToOne(), Portion: &gram.Amount{Value: 200, Unit: gram.UnitGram}})
		require.NoError(t, err)
		return red
	}
	for name, change := range map[string]func(*Reduced){
		"portion":        func(r *Reduced) { r.Portion = g(501) },
		"no portion":     func(r *Reduced) { r.Portion = 0 },
		"no parts":       func(r *Reduced) { r.Parts = nil },
		"a toner":        func(r *Reduced) { r.Parts[0].Role = formula.Solid },
		"known key":      func(r *Reduced) { r.Parts[0].Key = "t1" },
		"one key twice":  func(r *Reduced) { r.Parts[1].Key = "p1" },
		"no goal":        func(r *Reduced) { r.Parts[0].Goal = 0 },
		"held":           func(r *Reduced) { r.Parts[0].Held = 1 },
		"steps differ":   func(r *Reduced) { r.Steps[1].Aim++ },
		"used numbers":   func(r *Reduced) { r.Steps[1].No = 1 },
		"huge tolerance": func(r *Reduced) { r.Steps[1].Tolerance = g(9000) },
		"half in place":  func(r *Reduced) { r.NewCup = false; r.Steps = r.Steps[1:] },
		"paint missing":  func(r *Reduced) { r.Steps = r.Steps[1:] },
		"a step missing": func(r *Reduced) { r.Steps = r.Steps[:2] },
	} {
		red := fresh()
		change(&red)
		err := m.try(red)
		require.Error(t, err, name)
		refusal(t, err, Impossible)
	}
	red := fresh()
	m.do(t, red)
	refusal(t, m.try(red), NotNow)
	m.do(t, CupPlaced{Reading: g(10), Cup: Cup{Name: "spray cup"}})
	refusal(t, m.tryPour(g(501), Poured{}), Impossible)
}

// Too much reducer is an overshoot with the colour as a component and what is left of it as the limit.
func TestTooMuchReducer(t *testing.T) {
	m := mixed(t, nil)
	red, _, err := PlanReduction(m.s, ReductionRequest{
		Ratio:   &formula.Ratio{Paint: 2, By: "weight", Parts: []formula.Part{{Name: "hardener", Kind: formula.Hardener, Parts: 1}, {Name: "reducer", Kind: formula.Reducer, Parts: 1}}},
		Portion: &gram.Amount{Value: 200, Unit: gram.UnitGram},
	})
	require.NoError(t, err)
	m.do(t, red)
	m.do(t, CupPlaced{Reading: g(10), Cup: Cup{Name: "spray cup"}})
	m.pour(t, g(200))
	assert.Equal(t, g(300), m.s.Left)
	m.pour(t, g(100))
	m.pour(t, g(150)) // wanted 100
	require.NotNil(t, m.s.Over)
	options := Choices(m.s, Shop{}, nil)
	exact := pick(t, options, Exact)
	assert.Equal(t, map[Key]gram.Mass{PaintKey: g(100), "p1": g(50)}, added(exact))
	assert.Equal(t, g(600), exact.Final)
	assert.False(t, has(options, PourOff))
	assert.False(t, has(options, StartAgain), "the paint in the mixing cup is not thrown away with it")
	checkOptionsAtBench(t, m.s, options)
	m.do(t, exact.Corrected())
	m.rest(t)
	m.do(t, Stirred{})
	assert.Equal(t, g(200), m.s.Left)
	checkConservation(t, m.events, m.s)
	m.do(t, Finished{Kept: g(200)})
}

// With no colour left the best is what goes with the colour that is in.
func TestTooMuchReducerAndNoColourLeft(t *testing.T) {
	m := mixed(t, nil)
	red, _, err := PlanReduction(m.s, ReductionRequest{
		Ratio: &formula.Ratio{Paint: 2, By: "weight", Parts: []formula.Part{{Name: "reducer", Kind: formula.Reducer, Parts: 1}, {Name: "hardener", Kind: formula.Hardener, Parts: 1}}},
	})
	require.NoError(t, err)
	m.do(t, red)
	m.pour(t, g(330)) // wanted 250
	options := Choices(m.s, Shop{}, nil)
	assert.False(t, has(options, Exact))
	best := pick(t, options, FitCup)
	assert.Equal(t, map[Key]gram.Mass{"p2": g(250)}, added(best), "colour cannot be added, so hardener goes with the colour that is in")
	checkOptionsAtBench(t, m.s, options)
}
