package pour

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pigment"
)

// inventedToner has one band of absorption and a scattering of its own. Invented; no real pigment.
func inventedToner(rng *rand.Rand, name string) pigment.Pigment {
	grid := colour.Paint()
	p := pigment.Pigment{Name: name, Grid: grid, K: make([]float64, grid.Count), S: make([]float64, grid.Count)}
	centre, width := 380+340*rng.Float64(), 30+80*rng.Float64()
	strength, scatter := math.Exp(-1+3*rng.Float64()), math.Exp(-2+2*rng.Float64())
	for i := range grid.Count {
		z := (grid.Wavelength(i) - centre) / width
		p.K[i] = 0.01 + strength*math.Exp(-z*z/2)
		p.S[i] = scatter
	}
	return p
}

// aimFor returns the colour of a formula of the first len(shares) toners, all of which may be in the cup.
func aimFor(t testing.TB, toners []pigment.Pigment, shares []float64, lights ...colour.Illuminant) *pigment.Aim {
	t.Helper()
	palette, err := pigment.NewPalette(toners, pigment.Surface{K1: 0.04, K2: 0.6})
	require.NoError(t, err)
	parts := make([]float64, len(toners))
	copy(parts, shares)
	aim, err := palette.AimAtMixture(parts, pigment.Coat{}, lights, colour.TenDegrees)
	require.NoError(t, err)
	return aim
}

type colourCup struct {
	state State
	aim   *pigment.Aim
	d     gram.Mass
}

// randomColourCup pours some toners of a formula of three or four, one of them too much, perhaps with a foreign one in.
func randomColourCup(t testing.TB, rng *rand.Rand, d gram.Mass) colourCup {
	n := 3 + rng.IntN(2)
	foreign := rng.IntN(3) == 0
	if foreign {
		n = 3
	}
	weights := make([]float64, n)
	sum := 0.0
	for i := range weights {
		weights[i] = 0.08 + rng.Float64()
		sum += weights[i]
	}
	total := d * gram.Mass(24+rng.IntN(20))
	stand := Stand{Total: total, Balance: gram.Balance{Division: d}}
	toners := make([]pigment.Pigment, 0, n+1)
	for i := range weights {
		weights[i] /= sum
		name := fmt.Sprintf("toner %d", i+1)
		toners = append(toners, inventedToner(rng, name))
		stand.Components = append(stand.Components, Component{Key: Key(name), Name: name, Role: formula.Solid, Strength: formula.Medium, Goal: gram.Of(1000 * weights[i])})
	}
	inCup := 1 + rng.IntN(n)
	for i := range inCup {
		m := gram.Of(weights[i] * total.Grams()).Round(d)
		if i == inCup-1 {
			m += d * gram.Mass(1+rng.IntN(4))
		}
		stand.Poured = append(stand.Poured, Addition{Component: Component{Key: stand.Components[i].Key, Name: stand.Components[i].Name, Role: formula.Solid}, Mass: max(m, d)})
	}
	if foreign {
		toners = append(toners, inventedToner(rng, "foreign"))
		stand.Poured = append(stand.Poured, Addition{Component: Component{Key: "foreign", Name: "foreign", Role: formula.Solid}, Mass: d * gram.Mass(1+rng.IntN(3))})
	}
	s, err := stand.State()
	require.NoError(t, err)
	return colourCup{s, aimFor(t, toners, weights, colour.D65, colour.A), d}
}

// onGrid reports whether some way to add so much in whole divisions meets a limit.
func onGrid(c colourCup, v *view, limit float64, sum gram.Mass) bool {
	n := len(v.in)
	x := make([]float64, n)
	last := -1
	for i := range x {
		x[i] = v.in[i].Grams()
		if v.wanted[i] > 0 {
			last = i
		}
	}
	meets := func() bool {
		d, _ := c.aim.Distance(x)
		return d <= limit
	}
	if last < 0 {
		return meets()
	}
	var place func(i int, left gram.Mass) bool
	place = func(i int, left gram.Mass) bool {
		if i == last {
			x[i] = (v.in[i] + left).Grams()
			return meets()
		}
		if v.wanted[i] <= 0 {
			return place(i+1, left)
		}
		for a := gram.Mass(0); a <= left; a += c.d {
			x[i] = (v.in[i] + a).Grams()
			if place(i+1, left-a) {
				return true
			}
		}
		return false
	}
	return place(0, sum)
}

// leastOnGrid looks at every cup of whole divisions, smallest first, and returns the least that is added.
func leastOnGrid(c colourCup, v *view, limit float64, most gram.Mass) (gram.Mass, bool) {
	for add := gram.Mass(0); add <= most; add += c.d {
		if v.goal-v.whole-add <= c.d && onGrid(c, v, limit, add) {
			return add, true
		}
	}
	return 0, false
}

// Every cup of whole divisions is looked at, smallest first: an independent search that knows nothing of slopes.
func TestLeastPaintAgainstFullGrid(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	const limit = 2.0
	compared, foreign := 0, 0
	for k := range 60 {
		c := randomColourCup(t, rng, gram.Of(0.5))
		v := newView(c.state, Shop{Limit: limit}, c.aim)
		aim := limit
		if slices.ContainsFunc(v.come, func(m gram.Mass) bool { return m > 0 }) {
			aim = limit * aimWhileToCome
		}
		add, ok := v.leastColour(gram.MaxMass)
		require.Truef(t, ok, "cup %d", k)
		got := gram.Sum(add)
		x := make([]float64, len(add))
		for i := range x {
			x[i] = (v.in[i] + add[i]).Grams()
		}
		d, _ := c.aim.Distance(x)
		require.LessOrEqualf(t, d, aim, "cup %d", k)
		if got > 18*c.d {
			continue // the grid would take too long
		}
		want, wantOK := leastOnGrid(c, v, aim, got)
		require.Truef(t, wantOK, "cup %d: %v is no cup of whole divisions", k, add)
		assert.LessOrEqualf(t, got-want, c.d*gram.Mass(len(add)), "cup %d: %v, the grid needs %v", k, got, want)
		compared++
		if v.foreign() > 0 {
			foreign++
		}
	}
	assert.Greater(t, compared, 30)
	assert.Greater(t, foreign, 5)
}

// The grid: every completion of the wanted sum in whole divisions, for one division of excess after another.
func TestToleranceAgainstFullGrid(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	const limit = 2.0
	compared, foreign := 0, 0
	for k := range 80 {
		c := randomColourCup(t, rng, gram.Of(0.5))
		open := -1
		v := newView(c.state, Shop{Limit: limit}, c.aim)
		if len(c.state.Todo) > 0 {
			open = v.index(c.state.Todo[0].Key)
		}
		if open < 0 {
			continue
		}
		got := c.state.ToleranceIn(c.aim, limit, v.parts[open].Key)
		// meets reports whether some completion with this excess meets the limit.
		meets := func(over gram.Mass) bool {
			g := *v
			g.in = slices.Clone(v.in)
			g.in[open] += v.come[open] + over
			g.whole = gram.Sum(g.in)
			g.wanted = slices.Clone(v.wanted)
			for j := range g.in { // only what is to come may be added
				if j == open || v.come[j] == 0 {
					g.wanted[j] = 0
				}
			}
			return onGrid(c, &g, limit, max(v.goal-g.whole, 0))
		}
		due := v.come[open] // what is in and to come is brought to whole divisions, so that every completion is on the grid
		v.come[open] = due.Round(c.d)
		steps := gram.Mass(0)
		if !meets(0) {
			assert.LessOrEqualf(t, got, c.d*gram.Mass(len(v.in)), "cup %d", k)
			continue
		}
		for steps < 60 && meets((steps+1)*c.d) {
			steps++
		}
		if steps == 60 {
			continue
		}
		compared++
		if v.foreign() > 0 {
			foreign++
		}
		assert.InDeltaf(t, (steps * c.d).Grams(), (got + due - v.come[open]).Grams(), (c.d * gram.Mass(len(v.in))).Grams(), "cup %d", k)
	}
	assert.Greater(t, compared, 20)
	assert.Greater(t, foreign, 3)
}

func TestToleranceShrinksAsTheLimitIsSpent(t *testing.T) {
	s, aim := colourCup9(t)
	key := s.Todo[0].Key
	loose, tight := s.ToleranceIn(aim, 2, key), s.ToleranceIn(aim, 1, key)
	assert.Greater(t, loose, tight)
	assert.Zero(t, s.ToleranceIn(aim, 1, "no such toner"))
	assert.Zero(t, s.ToleranceIn(nil, 1, key))
}

func colourCup9(b testing.TB) (State, *pigment.Aim) {
	rng := rand.New(rand.NewPCG(3, 4))
	weights := []float64{0.55, 0.2, 0.1, 0.06, 0.04, 0.025, 0.012, 0.008, 0.005}
	stand := Stand{Total: gram.Of(600), Balance: gram.Balance{Division: tenth}}
	var toners []pigment.Pigment
	for i, w := range weights {
		name := fmt.Sprintf("toner %d", i)
		toners = append(toners, inventedToner(rng, name))
		stand.Components = append(stand.Components, Component{Key: Key(name), Name: name, Role: formula.Solid, Goal: gram.Of(1000 * w)})
	}
	for i, w := range weights[:6] {
		m := gram.Of(600 * w)
		if i == 5 {
			m += gram.Of(3)
		}
		stand.Poured = append(stand.Poured, Addition{Component: stand.Components[i], Mass: m})
	}
	s, err := stand.State()
	require.NoError(b, err)
	return s, aimFor(b, toners, weights, colour.D65, colour.A)
}

// Another order of the toners, or everything ten times as heavy, is the same cup.
func TestLeastPaintKnowsNoOrderAndNoSize(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 9))
	for k := range 40 {
		c := randomColourCup(t, rng, gram.Of(0.1))
		v := newView(c.state, Shop{Limit: 1}, c.aim)
		add, ok := v.leastColour(gram.MaxMass)
		require.Truef(t, ok, "cup %d", k)
		n := len(v.in)
		w := newView(c.state, Shop{Limit: 1}, turned{c.aim})
		slices.Reverse(w.parts)
		slices.Reverse(w.wanted)
		slices.Reverse(w.in)
		slices.Reverse(w.come)
		slices.Reverse(w.tau)
		other, ok := w.leastColour(gram.MaxMass)
		require.True(t, ok)
		assert.InDeltaf(t, gram.Sum(add).Grams(), gram.Sum(other).Grams(), 0.1*float64(n), "cup %d turned round", k)
		big := newView(c.state, Shop{Limit: 1}, c.aim)
		for i := range big.in {
			big.in[i] *= 10
			big.come[i] *= 10
		}
		big.whole, big.goal, big.d = 10*big.whole, 10*big.goal, 10*big.d
		tenfold, ok := big.leastColour(gram.MaxMass)
		require.True(t, ok)
		assert.InDeltaf(t, 10*gram.Sum(add).Grams(), gram.Sum(tenfold).Grams(), float64(n), "cup %d tenfold", k)
	}
}

// turned sees a cup whose components stand in the opposite order.
type turned struct{ of Colour }

func (c turned) Distance(g []float64) (float64, []float64) {
	back := slices.Clone(g)
	slices.Reverse(back)
	d, slope := c.of.Distance(back)
	slope = slices.Clone(slope)
	slices.Reverse(slope)
	return d, slope
}

// A shop's limit that no rounding can keep is said to be missed, not passed over.
func TestWithinIsAskedAfterRounding(t *testing.T) {
	rng := rand.New(rand.NewPCG(10, 11))
	for range 60 {
		c := randomColourCup(t, rng, gram.Of(0.5))
		for _, o := range Choices(c.state, Shop{Limit: 0.05, AsIs: true}, c.aim) {
			require.NotNil(t, o.DeltaE)
			x := make([]float64, 0, 4)
			for _, k := range c.state.Components {
				in := c.state.In[c.state.Index(k.Key)]
				if o.Choice == StartAgain {
					in = 0
				}
				for _, p := range o.Add {
					if p.Key == k.Key {
						in += p.Mass
					}
				}
				x = append(x, in.Grams())
			}
			if o.Choice == LiftOut || o.Choice == PourOff {
				continue // something is taken out first
			}
			d, _ := c.aim.Distance(x)
			assert.InDelta(t, d, *o.DeltaE, 1e-9, o.Choice)
			assert.Equal(t, d <= 0.05+1e-9, o.Within, o.Choice)
		}
	}
}

// What the display hides is tried out: 5 000 cups whose grams are off by two roundings each.
func TestLimitInLeavesRoomForRounding(t *testing.T) {
	const limit = 0.3
	_, aim := colourCup9(t)
	plan := Planned{Total: gram.Of(600), Balance: gram.Balance{Division: tenth}}
	weights := []float64{0.55, 0.2, 0.1, 0.06, 0.04, 0.025, 0.012, 0.008, 0.005}
	for _, w := range weights {
		plan.Components = append(plan.Components, Component{Role: formula.Solid, Goal: gram.Of(600 * w)})
	}
	assert.Equal(t, limit, plan.LimitIn(nil, limit))
	rng := rand.New(rand.NewPCG(12, 13))
	for _, division := range []gram.Mass{10, 100, 500, 2000} {
		plan.Balance.Division = division
		left := plan.LimitIn(aim, limit)
		require.GreaterOrEqual(t, left, limit*leastOfLimit)
		require.LessOrEqual(t, left, limit*mostOfLimit)
		if plan.Hides(aim, limit) {
			assert.Equal(t, gram.Mass(2000), division, "the only scale that is too coarse for this cup")
			continue
		}
		beyond := 0
		const n = 5_000
		for range n {
			x := make([]float64, len(weights))
			for i, w := range weights {
				x[i] = 600*w + division.Grams()*(rng.Float64()-rng.Float64())
			}
			if d, _ := aim.Distance(x); d > limit-left {
				beyond++
			}
		}
		assert.Less(t, beyond, n/50, "at %v", division)
	}
}

func TestWatchedSteps(t *testing.T) {
	steps := []Step{{No: 1, Key: "a", Aim: 500_000, Tolerance: 40_000}, {No: 2, Key: "b", Aim: 700, Tolerance: 100}}
	got := Watched(steps, gram.Balance{Division: tenth}, 0)
	assert.Equal(t, []Step{{No: 1, Key: "a", Aim: 500_000, Tolerance: 50}, {No: 2, Key: "b", Aim: 700, Tolerance: 50}}, got)
	assert.Equal(t, gram.Mass(40_000), steps[0].Tolerance, "the steps given are left alone")
}

func BenchmarkChoicesColour9(b *testing.B) {
	s, aim := colourCup9(b)
	shop := Shop{MinuteRate: 50, CupCost: 30}
	b.ReportAllocs()
	for b.Loop() {
		if len(Choices(s, shop, aim)) == 0 {
			b.Fatal("no choices")
		}
	}
}

func BenchmarkLeastPaintColour9(b *testing.B) {
	s, aim := colourCup9(b)
	b.ReportAllocs()
	for b.Loop() {
		v := newView(s, Shop{}, aim)
		if _, ok := v.leastColour(gram.MaxMass); !ok {
			b.Fatal("no way")
		}
	}
}

func BenchmarkDistance9(b *testing.B) {
	s, aim := colourCup9(b)
	b.ReportAllocs()
	for b.Loop() {
		aim.Distance(grams(s.In))
	}
}

func BenchmarkToleranceColour9(b *testing.B) {
	s, aim := colourCup9(b)
	b.ReportAllocs()
	for b.Loop() {
		if s.ToleranceIn(aim, 0.3, s.Todo[0].Key) < 0 {
			b.Fatal("below zero")
		}
	}
}
