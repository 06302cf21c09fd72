package pour

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize/convex/lp"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

// leastBySimplex solves min Σa, |x_i − w_i M| ≤ τ_i w_i M, T ≤ M ≤ room, x = P + a, a ≥ 0 by gonum's simplex, in grams.
func leastBySimplex(v *view, room float64) (float64, bool) {
	n := len(v.wanted)
	rows := 2*n + 2
	// Standard form: a, then one slack a row; every row is an inequality row·a ≤ h.
	A := mat.NewDense(rows, n+rows, nil)
	h := make([]float64, rows)
	in := v.whole.Grams()
	for i, w := range v.wanted {
		up, low := (1+v.tau[i])*w, (1-v.tau[i])*w
		for j := range n {
			a := 0.0
			if i == j {
				a = 1
			}
			A.Set(i, j, a-up)
			A.Set(n+i, j, low-a)
		}
		h[i] = up*in - v.in[i].Grams()
		h[n+i] = v.in[i].Grams() - low*in
	}
	for j := range n {
		A.Set(2*n, j, 1)
		A.Set(2*n+1, j, -1)
	}
	h[2*n], h[2*n+1] = room-in, in-v.goal.Grams()
	for r := range rows {
		A.Set(r, n+r, 1)
	}
	c := make([]float64, n+rows)
	for j := range n {
		c[j] = 1
	}
	f, _, err := lp.Simplex(c, A, h, 1e-10, nil)
	return f, err == nil
}

// An independent check of the least top-up: gonum's simplex on the same cups.
func TestLeastPaintAgainstSimplex(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 11))
	solved := 0
	for k := range 2500 {
		n := 2 + random.IntN(6)
		d := Stand{Balance: gram.Balance{Division: 10}, Total: gram.Mass(200_000 + random.Int64N(800_000))}
		sum := 0.0
		weights := make([]float64, n)
		for i := range weights {
			weights[i] = 20 + 400*random.Float64()
			sum += weights[i]
		}
		for i, w := range weights {
			c := toner(fmt.Sprint(i), w, formula.Strengths[random.IntN(3)])
			d.Components = append(d.Components, c)
			part := []float64{0, 0.6, 1, 1.02, 1.1, 1.4}[random.IntN(6)]
			if part > 0 {
				d.Poured = append(d.Poured, Addition{c, gram.Of(w / sum * d.Total.Grams() * part).Round(10)})
			}
		}
		s, err := d.State()
		require.NoError(t, err)
		v := newView(s, Shop{AsIs: true}, nil)
		room := 3 * d.Total
		want, ok := leastBySimplex(v, room.Grams())
		add, found := v.leastPaint(0, room)
		if !ok {
			continue // the simplex itself gives up on some degenerate cups, which says nothing
		}
		solved++
		require.True(t, found, "cup %d: the simplex adds %v g", k, want)
		got := gram.Sum(add).Grams()
		assert.GreaterOrEqual(t, got, want-0.001, "cup %d", k)
		// Whole divisions of 0.01 g: up to two a component.
		assert.LessOrEqual(t, got, want+0.02*float64(n), "cup %d", k)
	}
	assert.Greater(t, solved, 1500)
}
