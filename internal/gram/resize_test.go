package gram

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// weightsGen draws a formula: weights above 0, up to 5 kg a line.
func weightsGen(least, most int) *rapid.Generator[[]Mass] {
	return rapid.SliceOfN(rapid.Map(rapid.Int64Range(1, 5_000_000), func(v int64) Mass { return Mass(v) }), least, most)
}

func massGen(least, most int64) *rapid.Generator[Mass] {
	return rapid.Map(rapid.Int64Range(least, most), func(v int64) Mass { return Mass(v) })
}

func TestFractions(t *testing.T) {
	f, err := Fractions([]Mass{Of(700), Of(250), Of(50)})
	require.NoError(t, err)
	assert.Equal(t, []float64{0.7, 0.25, 0.05}, f)

	for says, bad := range map[string][]Mass{
		"no weights": {}, "every weight is 0": {0, 0}, "weight 2 is below 0": {1, -1}, "above a tonne": {MaxMass, 1},
		"weight 1 takes the sum": {math.MaxInt64},
	} {
		_, err := Fractions(bad)
		assert.ErrorContains(t, err, says)
	}
	var which *WeightError
	_, err = Fractions([]Mass{5, 6, -7})
	require.True(t, errors.As(err, &which))
	assert.Equal(t, 2, which.Index)
}

func TestDensity(t *testing.T) {
	// By hand: 100 g at 1.0 and 100 g at 2.0 take 150 ml, so 200/150.
	d, err := Density([]Mass{Of(100), Of(100)}, []float64{1, 2})
	require.NoError(t, err)
	assert.InDelta(t, 4.0/3, d, 1e-15)
	// Worked example in the trade reference: 400/100/100 ml at 1.02/1.08/0.87 weigh 603.0 g.
	d, err = Density([]Mass{Of(408), Of(108), Of(87)}, []float64{1.02, 1.08, 0.87})
	require.NoError(t, err)
	assert.InDelta(t, 603.0/600, d, 1e-12)

	var missing *DensityError
	_, err = Density([]Mass{1, 2, 3}, []float64{1, 0, 1})
	require.True(t, errors.As(err, &missing))
	assert.Equal(t, 1, missing.Index)
	assert.ErrorContains(t, err, "density is missing")
	_, err = Density([]Mass{1, 2}, []float64{1, math.NaN()})
	assert.ErrorContains(t, err, "not a density")
	_, err = Density([]Mass{1, 2}, []float64{1})
	assert.ErrorContains(t, err, "one density a weight")
	_, err = Density([]Mass{1, 0}, []float64{1, 0})
	assert.NoError(t, err, "what is not in the mix needs no density")
}

// Check against exact rational arithmetic (math/big), which shares no code with mulDiv.
func TestResizeAgainstRationals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		weights := weightsGen(1, 15).Draw(t, "weights")
		total := massGen(1, int64(MaxMass)).Draw(t, "total")
		lines, err := Resize(weights, total)
		require.NoError(t, err)
		s := Sum(weights)
		var cum, running Mass
		for i, w := range weights {
			cum += w
			running += lines[i]
			exact := new(big.Rat).Mul(big.NewRat(int64(cum), int64(s)), big.NewRat(int64(total), 1))
			off := new(big.Rat).Sub(big.NewRat(int64(running), 1), exact)
			assert.LessOrEqual(t, new(big.Rat).Abs(off).Cmp(big.NewRat(1, 2)), 0, "a running total is never off by more than half a milligram")
		}
		assert.Equal(t, total, running)
	})
}

func TestRatioRounding(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.Int64Range(1, 1_000_000).Draw(t, "c")
		a := rapid.Int64Range(0, c).Draw(t, "a")
		b := rapid.Int64Range(1, 10_000_000).Draw(t, "b")
		d := rapid.Int64Range(1, 5000).Draw(t, "division")
		got := mulDiv(Mass(a), Mass(b), Mass(c)).round(Mass(d))
		// floor(x/d + 1/2)·d in whole numbers: (2ab + cd) / (2cd)
		num := new(big.Int).Mul(big.NewInt(2*a), big.NewInt(b))
		num.Add(num, new(big.Int).Mul(big.NewInt(c), big.NewInt(d)))
		q := num.Div(num, new(big.Int).Mul(big.NewInt(2*c), big.NewInt(d)))
		assert.Equal(t, q.Int64()*d, int64(got))
	})
}

// Laws: every way of sharing out sums to the milligram, and keeps each share to a milligram.
func TestSplitLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		weights := weightsGen(1, 20).Draw(t, "weights")
		total := massGen(1, 50_000_000).Draw(t, "total")
		shares, err := Fractions(weights)
		require.NoError(t, err)
		for name, lines := range map[string][]Mass{"Split": Split(shares, total), "SplitLargest": SplitLargest(shares, total)} {
			assert.Equal(t, total, Sum(lines), name)
			for i, m := range lines {
				assert.InDelta(t, shares[i]*float64(total), float64(m), 1.0001, name)
			}
		}
		exact, err := Resize(weights, total)
		require.NoError(t, err)
		for i, m := range Split(shares, total) {
			assert.InDelta(t, float64(exact[i]), float64(m), 1, "floats and whole numbers may differ only where a half is rounded")
		}
	})
}

func TestSplitOddShares(t *testing.T) {
	assert.Equal(t, []Mass{10, 0}, Split([]float64{1, 0}, 10))
	assert.Equal(t, []Mass{0, 10}, SplitLargest([]float64{0, 3}, 10))
	assert.Equal(t, []Mass{4, 3, 3}, SplitLargest([]float64{1, 1, 1}, 10), "a tie goes to the earlier line")
	assert.Equal(t, []Mass{0, 0}, Split([]float64{0, 0}, 10), "nothing to go by")
	assert.Equal(t, []Mass{0, 0}, SplitLargest([]float64{0, math.NaN()}, 10))
	assert.Equal(t, []Mass{0}, SplitLargest([]float64{1}, -5))
	assert.Empty(t, Split(nil, 10))
}

// Law: largest remainder does not depend on the order of the components, save for exact ties.
func TestSplitLargestIgnoresOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		weights := rapid.SliceOfNDistinct(massGen(1, 5_000_000), 2, 12, rapid.ID[Mass]).Draw(t, "weights")
		total := massGen(1, 50_000_000).Draw(t, "total")
		turned := append(append([]Mass{}, weights[1:]...), weights[0])
		f, err := Fractions(weights)
		require.NoError(t, err)
		g, err := Fractions(turned)
		require.NoError(t, err)
		a, b := SplitLargest(f, total), SplitLargest(g, total)
		for i := range weights {
			assert.InDelta(t, float64(a[i]), float64(b[(i+len(b)-1)%len(b)]), 1)
		}
	})
}

// Law: there and back. Up from the formula to a bigger batch and down again gives the formula, to the milligram.
func TestResizeThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		weights := weightsGen(1, 15).Draw(t, "weights")
		s := Sum(weights)
		total := massGen(int64(4*s), int64(40*s)).Draw(t, "total")
		up, err := Resize(weights, total)
		require.NoError(t, err)
		down, err := Resize(up, s)
		require.NoError(t, err)
		for i := range weights {
			assert.InDelta(t, float64(weights[i]), float64(down[i]), 1)
		}
	})
}

func ExampleResize() {
	lines, _ := Resize([]Mass{Of(700), Of(250), Of(50)}, Of(500))
	fmt.Println(lines)
	// Output: [350.000 g 125.000 g 25.000 g]
}
