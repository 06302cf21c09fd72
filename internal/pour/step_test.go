package pour

import (
	"errors"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

func keys(steps []Step) (out []Key) {
	for _, s := range steps {
		out = append(out, s.Key)
	}
	return out
}

func TestPlanSums(t *testing.T) {
	plan, w, err := NewPlan(request())
	require.NoError(t, err)
	assert.Equal(t, g(500), plan.Total)
	assert.Equal(t, "500 g of colour", plan.Asked)
	assert.Equal(t, []Key{"t1", "t2", "t3", "t4"}, keys(plan.Steps), "the formula's own order")
	assert.Equal(t, g(350), plan.Steps[0].Aim)
	assert.Equal(t, g(28), plan.Steps[0].Tolerance, "weak: 8 %")
	assert.Equal(t, tenth, plan.Steps[3].Tolerance, "2 % of 5 g, at least one division")
	assert.InDelta(t, 500/1.1, w.Millilitres, 1e-9)
	assert.True(t, w.Weighable)
	assert.True(t, w.Fits)
	assert.Equal(t, "This scale can weigh every pour.", w.Sentence)
	// d/(0.2·0.01) = 50 g.
	assert.Equal(t, g(50), w.Smallest)
	assert.Equal(t, Key("t4"), w.Limiting)
}

func TestPlanByVolumeAndReady(t *testing.T) {
	r := request()
	r.Amount = gram.Amount{Value: 300, Unit: gram.UnitMl}
	plan, _, err := NewPlan(r)
	require.NoError(t, err)
	assert.Equal(t, g(330), plan.Total)
	r.Amount, r.Ready = gram.Amount{Value: 350, Unit: gram.UnitMl}, true
	plan, _, err = NewPlan(r)
	require.NoError(t, err)
	assert.Equal(t, g(220), plan.Total, "2 of 3.5 parts by volume, 200 ml")
	assert.Equal(t, "350 ml ready to spray", plan.Asked)
}

func TestPlanTooSmall(t *testing.T) {
	r := request()
	r.Amount.Value = 30 // ochre 0.3 g, soot 1.5 g
	_, w, err := NewPlan(r)
	require.NoError(t, err)
	assert.False(t, w.Weighable)
	assert.Equal(t, MarkOverride, w.Rows[3].Mark)
	assert.InDelta(t, 100*0.1/0.3, w.Rows[3].Percent, 1e-9)
	assert.Contains(t, w.Sentence, "Ochre is too little for this scale")
	ways := map[Way]WayOut{}
	for _, way := range w.WaysOut {
		ways[way.Way] = way
		assert.NotEmpty(t, way.Sentence)
	}
	assert.Equal(t, g(50), ways[WayMixMore].Amount)
	assert.Equal(t, 50*gram.Milligram, ways[WayFinerScale].Division)
	cut := ways[WayCutToner]
	assert.True(t, cut.Possible)
	assert.Equal(t, Key("t1"), cut.Base)
	assert.Equal(t, 0.5, cut.Strength)
	assert.Equal(t, g(0.6), cut.Grams)
	assert.Equal(t, g(0.3), cut.Less)

	r.Amount.Value = 80 // 0.8 g: 8 divisions
	_, w, err = NewPlan(r)
	require.NoError(t, err)
	assert.True(t, w.Weighable)
	assert.Equal(t, MarkWarn, w.Rows[3].Mark)
	assert.NotEmpty(t, w.WaysOut)
}

func TestPlanCutToner(t *testing.T) {
	r := request()
	r.Cut = []CutToner{{Toner: "t4", Cut: formula.Toner{ID: 40, Name: "Ochre cut", System: "Solvent base", Strength: formula.Medium, Density: 1.1}, Strength: 0.1, Base: "t1"}}
	plan, _, err := NewPlan(r)
	require.NoError(t, err)
	assert.Equal(t, g(305), plan.Steps[0].Aim, "45 g less of the base")
	assert.Equal(t, Key("t40"), plan.Steps[3].Key)
	assert.Equal(t, g(50), plan.Steps[3].Aim)
	r.Cut[0].Strength = 0.01
	_, _, err = NewPlan(r)
	assert.ErrorContains(t, err, "too little Chalk")
}

func TestPlanSafeOrder(t *testing.T) {
	r := request()
	r.SafeOrder = true
	plan, _, err := NewPlan(r)
	require.NoError(t, err)
	assert.Equal(t, []Key{"t1", "t4", "t3", "t2", "t1"}, keys(plan.Steps))
	assert.Equal(t, WhyWetting, plan.Steps[0].Why)
	assert.Equal(t, g(52.5), plan.Steps[0].Aim, "between 10 and 20 % of 350")
	assert.Equal(t, g(297.5), plan.Steps[4].Aim)

	r.Amount.Value = 60 // ochre 0.6 g keeps its place; the base wets with 20 g
	plan, _, err = NewPlan(r)
	require.NoError(t, err)
	assert.Equal(t, g(20), plan.Steps[0].Aim)
	assert.Equal(t, []Key{"t1", "t3", "t2", "t1", "t4"}, keys(plan.Steps))

	r.FixedOrder = true
	plan, w, err := NewPlan(r)
	require.NoError(t, err)
	assert.Equal(t, []Key{"t1", "t2", "t3", "t4"}, keys(plan.Steps))
	assert.Contains(t, w.Notes, "The order belongs to this formula and was kept.")

	metallic := request()
	metallic.SafeOrder = true
	metallic.Lines = []formula.Line{
		{Toner: formula.Toner{ID: 1, Name: "Coarse flake", Kind: formula.Flake, Strength: formula.Weak}, Mass: g(400)},
		{Toner: formula.Toner{ID: 2, Name: "Dry pearl", Kind: formula.Pearl, Strength: formula.Medium, WetFirst: true}, Mass: g(30)},
		{Toner: formula.Toner{ID: 3, Name: "Binder", Kind: formula.Binder, Strength: formula.Weak}, Mass: g(300)},
		{Toner: formula.Toner{ID: 4, Name: "Soot", Kind: formula.Solid, Strength: formula.Strong}, Mass: g(20)},
	}
	plan, _, err = NewPlan(metallic)
	require.NoError(t, err)
	assert.Equal(t, []Key{"t3", "t2", "t4", "t1", "t3"}, keys(plan.Steps), "wetting, wet first, strong, flake into binder, the rest of the binder")
}

func TestPlanTyped(t *testing.T) {
	r := request()
	r.Typed = true
	slices.Reverse(r.Lines)
	r.Amount.Value = 400 // ochre 4 g would be first
	plan, w, err := NewPlan(r)
	require.NoError(t, err)
	assert.Equal(t, []Key{"t3", "t4", "t2", "t1"}, keys(plan.Steps))
	assert.Equal(t, 1, plan.Steps[0].No)
	require.Len(t, w.Notes, 1)
	assert.Contains(t, w.Notes[0], "Soot goes first")
	r.FixedOrder = true
	plan, w, err = NewPlan(r)
	require.NoError(t, err)
	assert.Equal(t, Key("t4"), plan.Steps[0].Key)
	assert.Contains(t, w.Notes[0], "under 5 g")
}

func TestPlanHoldBack(t *testing.T) {
	r := request()
	r.HoldBack = []HoldBack{{"t3", 0.1}}
	plan, w, err := NewPlan(r)
	require.NoError(t, err)
	assert.Equal(t, g(500), plan.Total)
	assert.Equal(t, g(2.5), plan.Components[2].Held)
	assert.Equal(t, g(22.5), plan.Steps[2].Aim)
	assert.Equal(t, g(497.5), w.Rows[3].Running)
	assert.Empty(t, w.Notes)
	r.HoldBack = []HoldBack{{"t4", 0.05}}
	_, w, err = NewPlan(r)
	require.NoError(t, err)
	assert.Equal(t, []string{"What is held back of Ochre, 0.25 g, is too little for this scale to bring up."}, w.Notes)
}

func TestPlanCups(t *testing.T) {
	r := request()
	r.Reduction = nil
	r.Amount.Value = 526
	r.Cup.Brim = 300 // to 85 %, 1.1 g/ml: 280.5 g
	_, w, err := NewPlan(r)
	require.NoError(t, err)
	assert.False(t, w.Fits)
	assert.Equal(t, 2, w.Cups)
	assert.Equal(t, g(263), w.Each)
	assert.Contains(t, w.Sentence, "Make two cups of 263 g")

	r = request()
	r.Cup.Brim = 700 // the reduction grows 455 ml to 795 ml
	_, w, err = NewPlan(r)
	require.NoError(t, err)
	assert.False(t, w.Fits, "room is left for hardener and reducer")

	r = request()
	r.Balance.Max, r.CupEmpty = g(400), g(20)
	_, w, err = NewPlan(r)
	var p *Problem
	require.True(t, errors.As(err, &p), "more than the scale can carry is no plan")
	assert.Equal(t, "amount", p.Field)
	assert.Greater(t, w.Cups, 1)
}

func TestPlanTwoRanges(t *testing.T) {
	r := request()
	r.Reduction = nil
	r.Balance = gram.Balance{Division: 10, HighFrom: g(300), HighDivision: tenth * 10}
	_, w, err := NewPlan(r)
	require.NoError(t, err)
	assert.Equal(t, 1000*gram.Milligram, w.Rows[3].Division)
	assert.Equal(t, MarkWarn, w.Rows[3].Mark, "5 g in steps of 1 g: 5 divisions")
	for _, row := range w.Rows {
		assert.Zero(t, row.Reading%row.Division)
	}
}

func TestPlanProblems(t *testing.T) {
	for field, change := range map[string]func(*Request){
		"lines":                    func(r *Request) { r.Lines = nil },
		"lines[1].mass":            func(r *Request) { r.Lines[1].Mass = 0 },
		"lines[2].mass":            func(r *Request) { r.Lines[2].Mass = -5 },
		"lines[2].toner":           func(r *Request) { r.Lines[2].Toner.ID = 1 },
		"lines[3].toner":           func(r *Request) { r.Lines[3].Toner.System = "Water base" },
		"lines[0].toner":           func(r *Request) { r.Lines[0].Toner.Kind = formula.Hardener },
		"lines[0].density":         func(r *Request) { r.Lines[0].Toner.Density = math.NaN() },
		"lines[1].density":         func(r *Request) { r.Lines[1].Toner.Density = 0; r.Amount.Unit = gram.UnitMl },
		"amount":                   func(r *Request) { r.Amount.Value = 0 },
		"balance":                  func(r *Request) { r.Balance.Division = 0 },
		"cup":                      func(r *Request) { r.Cup.Brim = math.Inf(1) },
		"cup_empty":                func(r *Request) { r.CupEmpty = -1 },
		"limit":                    func(r *Request) { r.Limit = math.NaN() },
		"tolerance_percent":        func(r *Request) { r.TolerancePercent = 101 },
		"reduction":                func(r *Request) { r.Ready, r.Reduction = true, nil },
		"reduction.parts[1].parts": func(r *Request) { r.Reduction.Parts[1].Parts = -1 },
		"hold_back[0].key":         func(r *Request) { r.HoldBack = []HoldBack{{"t99", 0.1}} },
		"hold_back[0].part":        func(r *Request) { r.HoldBack = []HoldBack{{"t3", 0.5}} },
		"hold_back[1].key":         func(r *Request) { r.HoldBack = []HoldBack{{"t3", 0.1}, {"t3", 0.1}} },
		"cut[0].toner":             func(r *Request) { r.Cut = []CutToner{{Toner: "t99"}} },
		"cut[0].base":              func(r *Request) { r.Cut = []CutToner{{Toner: "t3", Base: "t3"}} },
		"cut[0].strength":          func(r *Request) { r.Cut = []CutToner{{Toner: "t3", Base: "t1", Strength: 1}} },
	} {
		r := request()
		change(&r)
		_, _, err := NewPlan(r)
		var p *Problem
		require.True(t, errors.As(err, &p), field)
		assert.Equal(t, field, p.Field, p.Detail)
		assert.NotContains(t, p.Detail, "gram:")
	}
	for _, v := range []float64{-3, math.NaN(), math.Inf(1), 1e12, 0.0000001, 0.01} {
		r := request()
		r.Amount.Value = v
		_, _, err := NewPlan(r)
		var p *Problem
		require.True(t, errors.As(err, &p), "%v g", v)
		assert.Equal(t, "amount", p.Field)
	}
}

// Laws: the goals sum to the total, the steps to the goals, and a plan opens a batch that can be poured to its end.
func TestPlanLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := request()
		r.Lines = nil
		for i := range rapid.IntRange(1, 12).Draw(t, "toners") {
			r.Lines = append(r.Lines, formula.Line{
				Mass: gram.Mass(rapid.Int64Range(100, 900_000).Draw(t, "mass")),
				Toner: formula.Toner{
					ID: int64(i + 1), Name: "x", Kind: rapid.SampledFrom([]formula.Kind{formula.Solid, formula.Flake, formula.Pearl, formula.Binder}).Draw(t, "kind"),
					Strength: rapid.SampledFrom(formula.Strengths).Draw(t, "strength"), WetFirst: rapid.IntRange(0, 5).Draw(t, "wet") == 0, Density: 1.2,
				},
			})
		}
		r.SafeOrder, r.Typed = rapid.Bool().Draw(t, "safe"), rapid.Bool().Draw(t, "typed")
		r.Cup.Brim = 0
		r.Amount.Value = rapid.Float64Range(1, 2000).Draw(t, "grams")
		plan, w, err := NewPlan(r)
		if err != nil {
			var p *Problem
			require.True(t, errors.As(err, &p))
			return
		}
		goals := map[Key]gram.Mass{}
		var sum gram.Mass
		for _, c := range plan.Components {
			sum += c.Goal
			goals[c.Key] += c.Goal
		}
		assert.Equal(t, plan.Total, sum)
		for i, s := range plan.Steps {
			assert.Equal(t, i+1, s.No)
			goals[s.Key] -= s.Aim
		}
		for k, left := range goals {
			assert.Zero(t, left, k)
		}
		assert.Len(t, w.Rows, len(plan.Steps))
		m := newMixer(t, r)
		m.place(t)
		m.rest(t)
		assert.Equal(t, plan.Total, m.s.Contents())
	})
}
