package gram

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

var whiteBlueBlack = []float64{0.7, 0.25, 0.05}

// Source: testdata/trade/overshoot_vectors.csv (common practice, no source).
func TestExactVectors(t *testing.T) {
	type cup struct {
		target, poured, want, add []Mass
		factor                    float64
	}
	cups := map[string]*cup{}
	for _, row := range trade(t, "overshoot_vectors.csv") {
		c := cups[row["case"]]
		if c == nil {
			c = &cup{}
			cups[row["case"]] = c
		}
		c.target = append(c.target, Of(number(t, row["target_g"])))
		c.poured = append(c.poured, Of(number(t, row["poured_g"])))
		c.want = append(c.want, Of(number(t, row["new_target_g"])))
		c.add = append(c.add, Of(number(t, row["add_g"])))
		c.factor = number(t, row["scale_factor"])
	}
	require.NotEmpty(t, cups)
	for name, c := range cups {
		wanted, err := Fractions(c.target)
		require.NoError(t, err)
		total := Sum(c.target)
		newTotal, add, governs := Exact(wanted, c.poured, total)
		assert.Equal(t, c.add, add, name)
		assert.Equal(t, Sum(c.want), newTotal, name)
		assert.InDelta(t, c.factor, float64(newTotal)/float64(total), 1e-9, name)
		assert.Zero(t, c.add[governs], name)
	}
}

// Worked examples with exact arithmetic: white 700, blue 250, black 50; batch 500 g.
func TestExactWorked(t *testing.T) {
	total, add, governs := Exact(whiteBlueBlack, []Mass{0, 0, Of(27)}, Of(500))
	assert.Equal(t, Of(540), total)
	assert.Equal(t, []Mass{Of(378), Of(135), 0}, add)
	assert.Equal(t, 2, governs)

	total, add, governs = Exact(whiteBlueBlack, []Mass{Of(350), Of(130), 0}, Of(500))
	assert.Equal(t, Of(520), total)
	assert.Equal(t, []Mass{Of(14), 0, Of(26)}, add)
	assert.Equal(t, 1, governs)

	total, add, governs = Exact(whiteBlueBlack, []Mass{Of(350), 0, 0}, Of(500))
	assert.Equal(t, Of(500), total)
	assert.Equal(t, []Mass{0, Of(125), Of(25)}, add)
	assert.Equal(t, -1, governs)
}

func TestExactOfWhatThePlanSaid(t *testing.T) {
	// 1 mg of a small toner is a gram of batch: whoever poured the plan to the milligram has nothing to correct.
	wanted := []float64{0.9994, 0.0003, 0.0003}
	plan := Split(wanted, Of(5))
	total, add, governs := Exact(wanted, plan, Of(5))
	assert.Equal(t, Of(5), total)
	assert.Equal(t, []Mass{0, 0, 0}, add)
	assert.Equal(t, -1, governs)
}

func TestExactRefuses(t *testing.T) {
	_, _, _, err := ExactChecked([]float64{1, 0}, []Mass{5, 7}, 10)
	var foreign *ForeignError
	require.True(t, errors.As(err, &foreign))
	assert.Equal(t, 1, foreign.Index)
	total, add, governs := Exact([]float64{1, 0}, []Mass{5, 7}, 10)
	assert.Zero(t, total)
	assert.Nil(t, add)
	assert.Equal(t, -1, governs)

	for says, c := range map[string]struct {
		wanted []float64
		poured []Mass
		total  Mass
	}{
		"no components":     {nil, nil, 1},
		"one pour a share":  {[]float64{1}, nil, 1},
		"between 0 and 1":   {[]float64{math.NaN()}, []Mass{1}, 1},
		"must sum to 1":     {[]float64{0.5}, []Mass{1}, 1},
		"in the cup":        {[]float64{1}, []Mass{-1}, 1},
		"cannot weigh":      {[]float64{1}, []Mass{1}, -1},
		"more than a tonne": {[]float64{1e-9, 1 - 1e-9}, []Mass{Of(5000), 0}, 1},
	} {
		_, _, _, err := ExactChecked(c.wanted, c.poured, c.total)
		assert.ErrorContains(t, err, says)
	}
}

func TestFitCupWorked(t *testing.T) {
	// Black 27.0 and room for 520 g: 493.0 g of white and blue in the ratio 700 : 250.
	add := FitCup(whiteBlueBlack, []Mass{0, 0, Of(27)}, Of(520))
	assert.Equal(t, []Mass{Mass(363263), Mass(129737), 0}, add)
	assert.Equal(t, []Mass{0, 0, 0}, FitCup(whiteBlueBlack, []Mass{Of(400), 0, Of(27)}, Of(420)), "no room at all")
}

func TestPourOffWorked(t *testing.T) {
	discard, kept, add, err := PourOff(whiteBlueBlack, []Mass{Of(350), Of(125), Of(27)}, Of(500))
	require.NoError(t, err)
	assert.Equal(t, "37.2", discard.Show(100))
	assert.Equal(t, []string{"25.9", "9.3", "0.0"}, []string{add[0].Show(100), add[1].Show(100), add[2].Show(100)})
	assert.Equal(t, Of(500), Sum(kept)+Sum(add))
	assert.InDelta(t, 502*40.0/540, discard.Grams(), 0.001)

	discard, kept, add, err = PourOff(whiteBlueBlack, []Mass{Of(300), 0, 0}, Of(500))
	require.NoError(t, err)
	assert.Zero(t, discard)
	assert.Equal(t, []Mass{Of(300), 0, 0}, kept)
	assert.Equal(t, []Mass{Of(50), Of(125), Of(25)}, add)

	_, _, _, err = PourOff([]float64{1, 0}, []Mass{1, 1}, 5)
	var foreign *ForeignError
	assert.True(t, errors.As(err, &foreign))
	_, _, _, err = PourOff([]float64{1}, []Mass{1}, 0)
	assert.ErrorContains(t, err, "more than 0")
}

func TestWorstRelativeAndForeignShare(t *testing.T) {
	x := []Mass{Of(350), Of(125), Of(27)}
	assert.InDelta(t, 27.0/502/0.05-1, WorstRelative(whiteBlueBlack, x), 1e-12)
	assert.Equal(t, 1.0, WorstRelative(whiteBlueBlack, []Mass{0, 0, 0}))
	assert.InDelta(t, 0.1, ForeignShare([]float64{0.5, 0.5, 0}, []Mass{45, 45, 10}), 1e-15)
	assert.Zero(t, ForeignShare([]float64{1}, []Mass{0}))
}

// cup is a random formula with a random state of the cup; some pours are over, some are still to come.
type cup struct {
	wanted []float64
	poured []Mass
	total  Mass
}

func drawCup(t *rapid.T) cup {
	weights := weightsGen(1, 12).Draw(t, "weights")
	wanted, err := Fractions(weights)
	require.NoError(t, err)
	total := massGen(1000, 5_000_000).Draw(t, "total")
	poured := make([]Mass, len(weights))
	for i, m := range Split(wanted, total) {
		by := rapid.SampledFrom([]float64{0, 0, 0.5, 0.98, 1, 1, 1.02, 1.1, 1.5}).Draw(t, "poured part")
		poured[i] = nearest(float64(m) * by)
	}
	return cup{wanted, poured, total}
}

func plus(a, b []Mass) []Mass {
	out := make([]Mass, len(a))
	for i := range a {
		out[i] = a[i] + b[i]
	}
	return out
}

// Laws of every correction: no paint is ever asked back, sums are exact to the milligram, and Exact restores every
// ratio to within the odd milligrams of rounding, which the largest component carries for all of them.
func TestCorrectionLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCup(t)
		in := Sum(c.poured)
		newTotal, add, governs, err := ExactChecked(c.wanted, c.poured, c.total)
		require.NoError(t, err)
		require.GreaterOrEqual(t, newTotal, max(c.total, in))
		assert.Equal(t, newTotal, in+Sum(add))
		for i, a := range add {
			assert.GreaterOrEqual(t, a, Mass(0))
			assert.InDelta(t, c.wanted[i]*float64(newTotal), float64(c.poured[i]+a), 2+float64(len(add))/2)
		}
		if governs < 0 {
			assert.InDelta(t, float64(c.total), float64(newTotal), float64(len(add)))
		} else {
			assert.LessOrEqual(t, add[governs], Mass(1), "what governs is not topped up")
		}

		room := max(in, massGen(int64(in), int64(newTotal)).Draw(t, "room"))
		fit := FitCup(c.wanted, c.poured, room)
		assert.Equal(t, room, in+Sum(fit))
		for _, a := range fit {
			assert.GreaterOrEqual(t, a, Mass(0))
		}

		discard, kept, add, err := PourOff(c.wanted, c.poured, c.total)
		require.NoError(t, err)
		assert.GreaterOrEqual(t, discard, Mass(0))
		assert.Equal(t, in-discard, Sum(kept))
		assert.InDelta(t, float64(c.total), float64(Sum(kept)+Sum(add)), float64(len(add)))
		for i, a := range add {
			assert.GreaterOrEqual(t, a, Mass(0))
			assert.GreaterOrEqual(t, kept[i], Mass(0))
			assert.InDelta(t, c.wanted[i]*float64(c.total), float64(kept[i]+a), 2+float64(len(add))/2)
		}
	})
}

// Law: rounded to the division, Exact restores every ratio within one division.
func TestExactWithinADivision(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCup(t)
		d := rapid.SampledFrom([]Mass{5, 10, 50, 100}).Draw(t, "division")
		newTotal, add, _ := Exact(c.wanted, c.poured, c.total)
		for i, a := range RoundAdds(add, d) {
			assert.InDelta(t, c.wanted[i]*float64(newTotal), float64(c.poured[i]+a), float64(d))
		}
	})
}

// FitCup minimises Σ(x_i/M − w_i)²/w_i: no shift of paint between two components that are not at their floor may lower it.
func TestFitCupIsTheLeast(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCup(t)
		newTotal, _, _ := Exact(c.wanted, c.poured, c.total)
		room := massGen(int64(Sum(c.poured)), int64(newTotal)).Draw(t, "room")
		x := plus(c.poured, FitCup(c.wanted, c.poured, room))
		cost := func() (s float64) {
			m := float64(Sum(x))
			for i, w := range c.wanted {
				off := float64(x[i])/m - w
				s += off * off / w
			}
			return s
		}
		best := cost()
		for i := range x {
			for j := range x {
				if i != j && x[i] >= c.poured[i]+10 {
					x[i] -= 10
					x[j] += 10
					assert.GreaterOrEqual(t, cost(), best*(1-1e-9)-1e-18)
					x[i] += 10
					x[j] -= 10
				}
			}
		}
	})
}

// Law: the order of the components changes nothing but their names.
func TestCorrectionIgnoresOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCup(t)
		n := len(c.wanted)
		order := rapid.Permutation(seq(n)).Draw(t, "order")
		w, p := make([]float64, n), make([]Mass, n)
		for to, from := range order {
			w[to], p[to] = c.wanted[from], c.poured[from]
		}
		total, add, _ := Exact(c.wanted, c.poured, c.total)
		total2, add2, _ := Exact(w, p, c.total)
		assert.InDelta(t, float64(total), float64(total2), 1)
		fit, fit2 := FitCup(c.wanted, c.poured, total), FitCup(w, p, total)
		for to, from := range order {
			assert.InDelta(t, float64(add[from]), float64(add2[to]), 2+float64(n)/2)
			assert.InDelta(t, float64(fit[from]), float64(fit2[to]), 2+float64(n)/2)
		}
	})
}

func seq(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

func TestRoundAddsAndFloorCeil(t *testing.T) {
	add := []Mass{149, 151, 50, 0}
	assert.Equal(t, []Mass{100, 200, 100, 0}, RoundAdds(add, 100))
	// The best of all floors and ceilings by trying them all.
	rapid.Check(t, func(t *rapid.T) {
		add := rapid.SliceOfN(massGen(0, 3000), 1, 6).Draw(t, "add")
		goal := make([]float64, len(add))
		for i := range goal {
			goal[i] = rapid.Float64Range(0, 3000).Draw(t, "goal")
		}
		score := func(x []Mass) (s float64) {
			for i := range x {
				s += math.Abs(float64(x[i]) - goal[i])
			}
			return s
		}
		got := FloorCeil(add, 100, score)
		best := math.Inf(1)
		for bits := range 1 << len(add) {
			x := make([]Mass, len(add))
			for i, a := range add {
				x[i] = a / 100 * 100
				if bits>>i&1 == 1 && x[i] < a {
					x[i] += 100
				}
			}
			best = min(best, score(x))
		}
		assert.InDelta(t, best, score(got), 1e-9, "a sum of separate terms has no trap for one change at a time")
		for i := range got {
			assert.Zero(t, got[i]%100)
			assert.Less(t, (got[i] - add[i]).Abs(), Mass(100))
		}
	})
}

func ExampleExact() {
	wanted, _ := Fractions([]Mass{Of(700), Of(250), Of(50)})
	total, add, _ := Exact(wanted, []Mass{0, 0, Of(27)}, Of(500))
	fmt.Println(total, add)
	// Output: 540.000 g [378.000 g 135.000 g 0.000 g]
}

func ExamplePourOff() {
	wanted, _ := Fractions([]Mass{Of(700), Of(250), Of(50)})
	discard, _, add, _ := PourOff(wanted, []Mass{Of(350), Of(125), Of(27)}, Of(500))
	fmt.Println(discard.Show(100), add[0].Show(100), add[1].Show(100))
	// Output: 37.2 25.9 9.3
}

func BenchmarkCorrect12(b *testing.B) {
	b.ReportAllocs()
	wanted, err := Fractions(twelve)
	require.NoError(b, err)
	poured := Split(wanted, Of(500))
	for i := range poured {
		poured[i] = poured[i].Round(100)
	}
	poured[10] += Of(0.8)
	poured[11] = 0
	tolerances := []float64{0.08, 0.04, 0.04, 0.04, 0.04, 0.04, 0.04, 0.04, 0.02, 0.02, 0.02, 0.02}
	for b.Loop() {
		newTotal, _, _ := Exact(wanted, poured, Of(500))
		FitCup(wanted, poured, min(newTotal, Of(520)))
		if _, ok := LeastTopUpIn(wanted, poured, tolerances, Of(500), Of(700), 100); !ok {
			b.Fatal("no top-up")
		}
		if _, _, _, err := PourOff(wanted, poured, Of(500)); err != nil {
			b.Fatal(err)
		}
	}
}
