package gram

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize/convex/lp"
	"pgregory.net/rapid"
)

// simplex solves the linear programme of LeastTopUp with gonum's simplex, in grams: an independent check.
// It returns the final total, or ok false where there is none.
func simplex(t *testing.T, wanted []float64, poured []Mass, tolerances []float64, total, room Mass, fixed []int) (m float64, ok, solved bool) {
	t.Helper()
	n := len(wanted)
	in := Sum(poured).Grams()
	var rows [][]float64
	var rhs []float64
	// le adds Σ c_i a_i ≤ r.
	le := func(c []float64, r float64) { rows, rhs = append(rows, c), append(rhs, r) }
	for i, w := range wanted {
		high, low := make([]float64, n), make([]float64, n)
		hi, lo := (1+tolerances[i])*w, (1-tolerances[i])*w
		if w == 0 {
			hi = tolerances[i]
		}
		for j := range n {
			high[j], low[j] = -hi, lo
		}
		high[i]++
		low[i]--
		le(high, hi*in-poured[i].Grams())
		if w > 0 {
			le(low, poured[i].Grams()-lo*in)
		}
	}
	ones, minus := make([]float64, n), make([]float64, n)
	for j := range n {
		ones[j], minus[j] = 1, -1
	}
	le(ones, room.Grams()-in)
	le(minus, in-total.Grams())
	var open []int // what cannot be added to has no variable
	for i, w := range wanted {
		if w > 0 && !slices.Contains(fixed, i) {
			open = append(open, i)
		}
	}
	// The dual has a basis to start from (all costs are above 0), so no first phase is needed, which in gonum can go
	// round for ever: min r·y subject to −Gᵀy + s = 1, y and s at least 0. Its minimum is −Σa; unbounded means that the
	// programme itself has no answer.
	k := len(rows)
	a := mat.NewDense(len(open), k+len(open), nil)
	costs := make([]float64, k+len(open))
	copy(costs, rhs)
	b := make([]float64, len(open))
	basis := make([]int, len(open))
	for j, i := range open {
		for r, row := range rows {
			a.Set(j, r, -row[i])
		}
		a.Set(j, k+j, 1)
		b[j], basis[j] = 1, k+j
	}
	f, _, err := lp.Simplex(costs, a, b, 0, basis)
	switch {
	case err == nil:
		return in - f, true, true
	case errors.Is(err, lp.ErrUnbounded):
		return 0, false, true
	}
	return 0, false, false // it ran aground in its own arithmetic
}

// A few thousand random cups against gonum's simplex. The seed is fixed, so the cups are the same every time.
func TestLeastTopUpAgainstSimplex(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 11))
	compared, feasible, tooSmall := 0, 0, 0
	const cups = 3000
	for range cups {
		n := 2 + r.IntN(7)
		weights := make([]Mass, n)
		for i := range weights {
			weights[i] = Mass(1000 + r.IntN(700_000))
		}
		foreign := n > 2 && r.IntN(4) == 0
		if foreign {
			weights[n-1] = 0
		}
		wanted, err := Fractions(weights)
		require.NoError(t, err)
		total := Mass(100_000 + r.IntN(900_000))
		poured, tolerances := make([]Mass, n), make([]float64, n)
		for i, m := range Split(wanted, total) {
			tolerances[i] = []float64{0.02, 0.04, 0.08}[r.IntN(3)]
			if r.IntN(4) > 0 {
				poured[i] = nearest(float64(m) * (0.9 + 0.3*r.Float64()))
			}
		}
		if foreign {
			poured[n-1] = Mass(r.IntN(10_000))
		}
		var fixed []int
		if r.IntN(4) == 0 {
			fixed = []int{r.IntN(n)}
		}
		room := nearest(float64(total) * (1 + 0.5*r.Float64()))
		want, ok, solved := simplex(t, wanted, poured, tolerances, total, room, fixed)
		if !solved {
			continue
		}
		compared++
		add, got := LeastTopUp(wanted, poured, tolerances, total, room, fixed...)
		if got != ok {
			t.Fatalf("simplex feasible %v (%v g), ours %v: w %v P %v tol %v T %v room %v fixed %v", ok, want, got, wanted, poured, tolerances, total, room, fixed)
		}
		if !ok {
			continue
		}
		feasible++
		x := plus(poured, add)
		m := Sum(x)
		if math.Abs(m.Grams()-want) > 0.0015 {
			t.Fatalf("simplex %v g, ours %v: w %v P %v tol %v T %v room %v fixed %v", want, m, wanted, poured, tolerances, total, room, fixed)
		}
		if m > total {
			tooSmall++
		}
		checkLimits(t, wanted, poured, x, tolerances, fixed, 1.5)
	}
	assert.Greater(t, compared, cups*95/100, "the check must hold for nearly all cups")
	assert.Greater(t, feasible, cups/4)
	assert.Less(t, feasible, compared-cups/20)
	assert.Greater(t, tooSmall, cups/10, "cups that had to grow")
}

type fataler interface {
	Fatalf(format string, args ...any)
}

// checkLimits fails where a component of x is outside its limits by more than slack milligrams.
func checkLimits(t fataler, wanted []float64, poured, x []Mass, tolerances []float64, fixed []int, slack float64) {
	m := float64(Sum(x))
	for i, w := range wanted {
		off := math.Abs(float64(x[i]) - w*m)
		limit := tolerances[i] * w * m
		if w == 0 {
			limit = tolerances[i] * m
		}
		if x[i] < poured[i] || off > limit+slack {
			t.Fatalf("component %d: %v in %v mg, wanted share %v, limit %v mg", i, x[i], m, w, limit)
		}
		if (w == 0 || len(fixed) > 0 && fixed[0] == i) && x[i] != poured[i] {
			t.Fatalf("component %d cannot be added to", i)
		}
	}
}

// In whole divisions: every limit kept strictly, and no smaller number of divisions does (tried one by one).
func TestLeastTopUpInIsTheLeast(t *testing.T) {
	found := 0
	rapid.Check(t, func(t *rapid.T) {
		weights := rapid.SliceOfN(massGen(20, 400), 2, 3).Draw(t, "weights")
		wanted, err := Fractions(weights)
		require.NoError(t, err)
		const total, division = Mass(2000), Mass(100)
		room := total + division*massGen(0, 12).Draw(t, "room")
		poured, tolerances := make([]Mass, len(weights)), make([]float64, len(weights))
		for i, m := range Split(wanted, total) {
			tolerances[i] = rapid.Float64Range(0.02, 0.4).Draw(t, "tolerance")
			poured[i] = nearest(float64(m) * rapid.Float64Range(0, 1.4).Draw(t, "part"))
		}
		add, ok := LeastTopUpIn(wanted, poured, tolerances, total, room, division)
		in := Sum(poured)
		// Every way of adding whole divisions up to room.
		least, x := Mass(-1), make([]Mass, len(poured))
		var walk func(i int, left Mass)
		walk = func(i int, left Mass) {
			if i == len(x) {
				m := Sum(x)
				if m < total || least >= 0 && m-in >= least {
					return
				}
				for j, w := range wanted {
					if math.Abs(float64(x[j])-w*float64(m)) > tolerances[j]*w*float64(m)+1e-6 {
						return
					}
				}
				least = m - in
				return
			}
			for k := Mass(0); k <= left; k++ {
				x[i] = poured[i] + k*division
				walk(i+1, left-k)
			}
		}
		if in <= room {
			walk(0, (room-in)/division)
		}
		if (least >= 0) != ok {
			t.Fatalf("by trying all: %v, ours ok %v", least, ok)
		}
		if ok {
			found++
			assert.Equal(t, least, Sum(add))
			checkLimits(t, wanted, poured, plus(poured, add), tolerances, nil, 1e-6)
			for _, a := range add {
				assert.Zero(t, a%division)
				assert.GreaterOrEqual(t, a, Mass(0))
			}
		}
	})
	assert.Positive(t, found)
}

func TestLeastTopUpByHand(t *testing.T) {
	// Black 27.0 with 8 % allowed: it may be 5.4 % of the cup, and 27.0/0.054 is the 500.0 g that was wanted.
	add, ok := LeastTopUp(whiteBlueBlack, []Mass{0, 0, Of(27)}, []float64{0.08, 0.08, 0.08}, Of(500), Of(600))
	require.True(t, ok)
	assert.Equal(t, Of(473), Sum(add))
	// With 4 %: 27.0/0.052 = 519.2308.
	add, ok = LeastTopUp(whiteBlueBlack, []Mass{0, 0, Of(27)}, []float64{0.08, 0.08, 0.04}, Of(500), Of(600))
	require.True(t, ok)
	assert.Equal(t, Mass(519231), Of(27)+Sum(add))
	_, ok = LeastTopUp(whiteBlueBlack, []Mass{0, 0, Of(27)}, []float64{0.08, 0.08, 0.04}, Of(500), Of(519))
	assert.False(t, ok, "no room")
	// With none at all it is the full rebalance.
	add, ok = LeastTopUp(whiteBlueBlack, []Mass{0, 0, Of(27)}, []float64{0, 0, 0}, Of(500), Of(600))
	require.True(t, ok)
	assert.Equal(t, []Mass{Of(378), Of(135), 0}, add)
	// A foreign component that may be 1 % of the cup: 6 g take 600 g.
	add, ok = LeastTopUp([]float64{0.5, 0.5, 0}, []Mass{0, 0, Of(6)}, []float64{0.1, 0.1, 0.01}, Of(500), Of(700))
	require.True(t, ok)
	assert.Equal(t, []Mass{Of(297), Of(297), 0}, add)
	_, ok = LeastTopUp([]float64{0.5, 0.5, 0}, []Mass{0, 0, Of(6)}, []float64{0.1, 0.1, 0}, Of(500), Of(700))
	assert.False(t, ok)
}

func TestLeastTopUpRefuses(t *testing.T) {
	one := []float64{1}
	for name, f := range map[string]func() ([]Mass, bool){
		"lists":     func() ([]Mass, bool) { return LeastTopUp(one, nil, one, 1, 2) },
		"tolerance": func() ([]Mass, bool) { return LeastTopUp(one, []Mass{1}, []float64{math.NaN()}, 1, 2) },
		"room":      func() ([]Mass, bool) { return LeastTopUp(one, []Mass{1}, one, 3, 2) },
		"full":      func() ([]Mass, bool) { return LeastTopUp(one, []Mass{5}, one, 1, 2) },
		"division":  func() ([]Mass, bool) { return LeastTopUpIn(one, []Mass{1}, one, 1, 2, 0) },
	} {
		add, ok := f()
		assert.False(t, ok, name)
		assert.Nil(t, add, name)
	}
}

// Laws: tenfold grams and division give tenfold additions; another order of the components, the same grams in all;
// what is added keeps the limits and is whole divisions.
func TestLeastTopUpInLaws(t *testing.T) {
	found := 0
	rapid.Check(t, func(t *rapid.T) {
		weights := rapid.SliceOfN(massGen(10_000, 700_000), 2, 12).Draw(t, "weights")
		wanted, err := Fractions(weights)
		require.NoError(t, err)
		total := massGen(100_000, 2_000_000).Draw(t, "total")
		room := total + total/2
		n := len(wanted)
		poured, tolerances := make([]Mass, n), make([]float64, n)
		for i, m := range Split(wanted, total) {
			tolerances[i] = rapid.SampledFrom([]float64{0.02, 0.04, 0.08}).Draw(t, "tolerance")
			poured[i] = nearest(float64(m) * rapid.SampledFrom([]float64{0, 0.5, 1, 1, 1.1, 1.3}).Draw(t, "part"))
		}
		const division = Mass(100)
		add, ok := LeastTopUpIn(wanted, poured, tolerances, total, room, division)
		ten := make([]Mass, n)
		order := rapid.Permutation(seq(n)).Draw(t, "order")
		w, p, tol := make([]float64, n), make([]Mass, n), make([]float64, n)
		for to, from := range order {
			ten[to] = poured[to] * 10
			w[to], p[to], tol[to] = wanted[from], poured[from], tolerances[from]
		}
		add10, ok10 := LeastTopUpIn(wanted, ten, tolerances, total*10, room*10, division*10)
		require.Equal(t, ok, ok10)
		turned, okTurned := LeastTopUpIn(w, p, tol, total, room, division)
		require.Equal(t, ok, okTurned)
		if !ok {
			return
		}
		found++
		x := plus(poured, add)
		checkLimits(t, wanted, poured, x, tolerances, nil, 1e-3)
		assert.LessOrEqual(t, WorstRelative(wanted, x), 0.08+1e-6)
		assert.GreaterOrEqual(t, Sum(x), total)
		assert.LessOrEqual(t, Sum(x), room)
		assert.Equal(t, Sum(add), Sum(turned))
		for i, a := range add {
			assert.Zero(t, a%division)
			assert.Equal(t, a*10, add10[i])
		}
	})
	assert.Positive(t, found)
}

// A tin that has run dry: nothing of it can be added, so the rest must stay within what there is of it.
func TestLeastTopUpWithADryTin(t *testing.T) {
	// White ran dry at 340.0 of 350.0 with 4 % allowed: white may be down to 0.672 of the cup, so the cup is 500.0 to 505.9.
	add, ok := LeastTopUpIn(whiteBlueBlack, []Mass{Of(340), 0, 0}, []float64{0.04, 0.08, 0.08}, Of(500), Of(600), 100, 0)
	require.True(t, ok)
	assert.Equal(t, Of(160), Sum(add))
	assert.Zero(t, add[0])
	_, ok = LeastTopUpIn(whiteBlueBlack, []Mass{Of(340), 0, 0}, []float64{0.04, 0.08, 0.08}, Of(506), Of(600), 100, 0)
	assert.False(t, ok)
}

func ExampleLeastTopUpIn() {
	// Black is 2.0 g over and may be 2 % strong, so the cup must weigh 27.0/0.051 = 529.4 g, in whole divisions 529.5.
	wanted, _ := Fractions([]Mass{Of(700), Of(250), Of(50)})
	add, _ := LeastTopUpIn(wanted, []Mass{Of(350), Of(125), Of(27)}, []float64{0.08, 0.08, 0.02}, Of(500), Of(600), 100)
	fmt.Println(add)
	// Output: [20.300 g 7.200 g 0.000 g]
}
