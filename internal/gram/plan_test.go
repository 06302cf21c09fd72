package gram

import (
	"fmt"
	"math"
	"math/big"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

var tenth = Balance{Division: 100}

func TestPlanByHand(t *testing.T) {
	// 3 : 2 : 1 in 100.0 g is 50.000, 33.333, 16.667; worked by hand.
	steps, err := Plan([]Mass{3, 2, 1}, Of(100), tenth, 0)
	require.NoError(t, err)
	assert.Equal(t, Of(50), steps[0].Mass)
	assert.Equal(t, Mass(33333), steps[1].Mass)
	assert.Equal(t, Mass(16667), steps[2].Mass)
	assert.Equal(t, Mass(83300), steps[1].Reading)
	assert.Equal(t, []Mass{50000, 33300, 16700}, []Mass{steps[0].Net, steps[1].Net, steps[2].Net})
	assert.InDelta(t, 0.6, steps[2].WeighingPercent, 1e-12, "100 × 0.1 / 16.667")
}

func TestPlanLargestTakesTheLeftover(t *testing.T) {
	// 1 : 1 : 4 in 10.0 g: 1.667, 1.667, 6.667 round to 1.7, 1.7, 6.7 = 10.1; the largest gives way.
	steps, err := Plan([]Mass{1, 1, 4}, Of(10), tenth, 0)
	require.NoError(t, err)
	assert.Equal(t, []Mass{1700, 1700, 6600}, []Mass{steps[0].Net, steps[1].Net, steps[2].Net})
}

func TestPlanOfHardlyADivisionAPour(t *testing.T) {
	steps, err := Plan([]Mass{1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1}, 600, tenth, 0)
	require.NoError(t, err)
	var nets Mass
	for _, s := range steps {
		assert.GreaterOrEqual(t, s.Net, Mass(0))
		assert.InDelta(t, 200, s.WeighingPercent, 1e-9)
		nets += s.Net
	}
	assert.Equal(t, Mass(600), nets)
}

func TestPlanTwoRanges(t *testing.T) {
	// Cup 150 g, coarse from 200 g gross: the first reading (40.04 g, 190 gross) is fine, the second (60.06) coarse.
	b := Balance{Division: 10, HighFrom: Of(200), HighDivision: 500}
	steps, err := Plan([]Mass{40040, 20020}, Mass(60060), b, Of(150))
	require.NoError(t, err)
	assert.Equal(t, Mass(40040), steps[0].Reading)
	assert.Equal(t, Mass(60000), steps[1].Reading)
	assert.Equal(t, Mass(20000), steps[1].Net)
	assert.Equal(t, Mass(40000), steps[0].Net, "the largest takes the leftover")
	assert.InDelta(t, 100*0.5/20.02, steps[1].WeighingPercent, 1e-9)
}

func TestPlanRefuses(t *testing.T) {
	for _, c := range []struct {
		weights []Mass
		total   Mass
		b       Balance
		cup     Mass
		says    string
	}{
		{nil, 1, tenth, 0, "no weights"},
		{[]Mass{1, 0}, 1, tenth, 0, "weight 2 is 0"},
		{[]Mass{1}, 0, tenth, 0, "more than 0"},
		{[]Mass{1}, MaxMass + 1, tenth, 0, "tonne"},
		{[]Mass{1}, 1, Balance{}, 0, "no division"},
		{[]Mass{1}, 1, Balance{Division: 100, HighFrom: 1, HighDivision: 10}, 0, "finer"},
		{[]Mass{1}, 1, Balance{Division: 100, HighFrom: -1}, 0, "below 0"},
		{[]Mass{1}, 1, tenth, -1, "empty cup"},
	} {
		_, err := Plan(c.weights, c.total, c.b, c.cup)
		assert.ErrorContains(t, err, c.says)
	}
}

func balanceGen(t *rapid.T) Balance {
	b := Balance{Division: rapid.SampledFrom([]Mass{1, 5, 10, 50, 100, 200}).Draw(t, "division")}
	if rapid.Bool().Draw(t, "two ranges") {
		b.HighFrom = massGen(1, 2_000_000).Draw(t, "high from")
		b.HighDivision = b.Division * rapid.SampledFrom([]Mass{1, 2, 5, 10}).Draw(t, "coarser by")
	}
	return b
}

// Laws of the paper plan, for any formula and scale.
func TestPlanLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		weights := weightsGen(1, 15).Draw(t, "weights")
		total := massGen(1, 5_000_000).Draw(t, "total")
		cup := massGen(0, 300_000).Draw(t, "cup")
		b := balanceGen(t)
		steps, err := Plan(weights, total, b, cup)
		require.NoError(t, err)
		s := Sum(weights)
		var mass, net, cum Mass
		for i, step := range steps {
			mass += step.Mass
			net += step.Net
			cum += weights[i]
			assert.Equal(t, mass, step.Running)
			assert.GreaterOrEqual(t, step.Net, Mass(0))
			// Reading against exact rationals: within half a division of the exact running total.
			exact := new(big.Rat).Mul(big.NewRat(int64(cum), int64(s)), big.NewRat(int64(total), 1))
			d := b.At(cup + ratFloor(exact))
			assert.Zero(t, step.Reading%d)
			off := new(big.Rat).Sub(big.NewRat(int64(step.Reading), 1), exact)
			assert.LessOrEqual(t, off.Abs(off).Cmp(big.NewRat(int64(d), 2)), 0)
		}
		assert.Equal(t, total, mass, "lines sum to the milligram")
		assert.Equal(t, steps[len(steps)-1].Reading, net, "nets sum to the last reading")
	})
}

func ratFloor(r *big.Rat) Mass {
	return Mass(new(big.Int).Div(r.Num(), r.Denom()).Int64())
}

// Law: tenfold grams and divisions give tenfold figures and the same percentages.
func TestPlanTenfold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		weights := weightsGen(1, 12).Draw(t, "weights")
		total := massGen(1, 5_000_000).Draw(t, "total")
		cup := massGen(0, 300_000).Draw(t, "cup")
		b := balanceGen(t)
		steps, err := Plan(weights, total, b, cup)
		require.NoError(t, err)
		ten, err := Plan(weights, total*10, Balance{b.Division * 10, b.HighFrom * 10, b.HighDivision * 10, 0}, cup*10)
		require.NoError(t, err)
		for i := range steps {
			assert.InDelta(t, float64(steps[i].Mass), float64(ten[i].Mass)/10, 1.1)
			assert.Equal(t, steps[i].Reading*10, ten[i].Reading)
			assert.Equal(t, steps[i].Net*10, ten[i].Net)
			assert.InEpsilon(t, steps[i].WeighingPercent, ten[i].WeighingPercent, 1e-12)
		}
	})
}

func TestSmallestBatch(t *testing.T) {
	// d/(τ·min w): 0.1/(0.2·0.05) = 10 g.
	batch, limiting := SmallestBatch([]float64{0.7, 0.25, 0.05}, 100, 0.2)
	assert.Equal(t, Of(10), batch)
	assert.Equal(t, 2, limiting)
	_, limiting = SmallestBatch(nil, 100, 0.2)
	assert.Equal(t, -1, limiting)
}

// The whole set of weighable batches against trying every one: the gross reading decides the division of each pour, and
// one division may be at most tolerance of the pour, the batch's own milligram allowed for rounding.
func TestWeighableAgainstSweep(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		weights := rapid.SliceOfN(massGen(1, 40), 1, 6).Draw(t, "weights")
		b := Balance{Division: massGen(1, 20).Draw(t, "division")}
		if rapid.IntRange(0, 3).Draw(t, "two ranges") > 0 {
			b.HighFrom = massGen(1, 900).Draw(t, "high from")
			b.HighDivision = b.Division * massGen(1, 6).Draw(t, "coarser by")
		}
		if rapid.IntRange(0, 3).Draw(t, "limited") == 0 {
			b.Max = massGen(1, 2500).Draw(t, "max")
		}
		cup := massGen(0, 300).Draw(t, "cup")
		tolerance := rapid.SampledFrom([]float64{0.05, 0.1, 0.2, 0.5, 1}).Draw(t, "tolerance")
		ranges := Weighable(weights, b, cup, tolerance)
		s := Sum(weights)
		for total := Mass(1); total < 3000; total++ {
			want := b.Max == 0 || cup+total <= b.Max
			var cum Mass
			tie := false
			for _, w := range weights {
				cum += w
				d := b.Division
				if b.HighFrom > 0 && cup*s+cum*total >= b.HighFrom*s {
					d = b.HighDivision
				}
				need := float64(d) / (tolerance * float64(w) / float64(s))
				if float64(total) < need-0.5 {
					want = false
				}
				tie = tie || math.Abs(float64(total)-need+0.5) < 1e-6
			}
			if tie {
				continue // exactly half a milligram: either way is right
			}
			got := false
			for _, r := range ranges {
				got = got || r.Has(total)
			}
			if want != got {
				t.Fatalf("total %d: sweep says %v, ranges %v", total, want, ranges)
			}
		}
		for i, r := range ranges {
			assert.True(t, r.To == 0 && i == len(ranges)-1 || r.To >= r.From, "%v", ranges)
			assert.True(t, i == 0 || ranges[i-1].To+1 < r.From, "ranges that touch are one: %v", ranges)
		}
	})
}

func TestWeighableInTwoRangesByHand(t *testing.T) {
	// 700, 20, 280 with 1 g steps from 100 g gross, the cup 20 g. In the fine range the 2 % need 0.1/(0.2·0.02) = 25 g, in
	// the coarse one 250 g; their reading crosses at 80/0.72 = 111.11 g and the last one's at 80 g, where 28 % need 17.9 g.
	b := Balance{Division: 100, HighFrom: Of(100), HighDivision: Of(1)}
	ranges := Weighable([]Mass{Of(700), Of(20), Of(280)}, b, Of(20), 0.2)
	assert.Equal(t, []Range{{Of(25), Mass(111111)}, {Of(250), 0}}, ranges)
	next, ok := NextWeighable(ranges, Of(150))
	assert.True(t, ok)
	assert.Equal(t, Of(250), next)
}

func TestWeighableHasNoRangeBeyondATonne(t *testing.T) {
	assert.Empty(t, Weighable([]Mass{1, MaxMass - 1}, tenth, 0, 0.2))
	b := Balance{Division: 100, HighFrom: MaxMass, HighDivision: 1000}
	assert.Equal(t, []Range{{Of(1), 0}}, Weighable([]Mass{1, 1}, b, 0, 0.2)[:1], "the coarse range is out of reach for the first pour")
	assert.Empty(t, Weighable([]Mass{1, 0}, tenth, 0, 0.2))
	assert.Empty(t, Weighable([]Mass{1}, Balance{Division: 1, Max: 5}, 5, 0.2))
}

func TestNextWeighable(t *testing.T) {
	r := []Range{{10, 20}, {30, 0}}
	for total, want := range map[Mass]Mass{5: 10, 10: 10, 15: 15, 20: 20, 21: 30, 400: 400} {
		next, ok := NextWeighable(r, total)
		assert.True(t, ok)
		assert.Equal(t, want, next)
	}
	_, ok := NextWeighable([]Range{{10, 20}}, 21)
	assert.False(t, ok)
	_, ok = NextWeighable(nil, 1)
	assert.False(t, ok)
}

func TestStop(t *testing.T) {
	// Half a gram too much of the first must not starve the second: 100.5 settled, 25.04 of its own.
	assert.Equal(t, Of(125.5), Stop(Of(100.5), Mass(25040), tenth))
	two := Balance{Division: 10, HighFrom: Of(200), HighDivision: 100}
	assert.Equal(t, Of(199.99), Stop(Of(150), Mass(49990), two))
	assert.Equal(t, Of(200.1), Stop(Of(150), Mass(50060), two))
}

func TestCutToner(t *testing.T) {
	// One in ten: 0.3 g of toner are 3 g of cut toner and 2.7 g less base.
	cut, less, err := CutToner(Of(0.3), 0.1, Of(100))
	require.NoError(t, err)
	assert.Equal(t, Of(3), cut)
	assert.Equal(t, Of(2.7), less)
	for says, c := range map[string]struct {
		x    Mass
		s    float64
		base Mass
	}{
		"only 2.000 g": {Of(0.3), 0.1, Of(2)},
		"between 0":    {Of(0.3), 1, Of(2)},
		"no toner":     {0, 0.1, Of(2)},
		"tonne":        {Of(1), 1e-300, Of(2)},
	} {
		_, _, err := CutToner(c.x, c.s, c.base)
		assert.ErrorContains(t, err, says)
	}
}

func ExamplePlan() {
	formula := []Mass{Of(700), Of(250), Of(50)}
	steps, _ := Plan(formula, Of(333), Balance{Division: 100}, 0)
	for _, s := range steps {
		fmt.Println(s.Mass, s.Reading.Show(100), s.Net.Show(100))
	}
	// Output:
	// 233.100 g 233.1 233.0
	// 83.250 g 316.4 83.3
	// 16.650 g 333.0 16.7
}

var twelve = []Mass{Of(412.3), Of(180.5), Of(96.2), Of(77), Of(61.4), Of(55), Of(38.1), Of(29.9), Of(20.3), Of(14.2), Of(9.9), Of(5.2)}

func BenchmarkPlan12(b *testing.B) {
	b.ReportAllocs()
	scale := Balance{Division: 100, HighFrom: Of(600), HighDivision: 500}
	for b.Loop() {
		if _, err := Plan(twelve, Of(750), scale, Of(84)); err != nil {
			b.Fatal(err)
		}
		Weighable(twelve, scale, Of(84), 0.2)
	}
}
