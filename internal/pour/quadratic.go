package pour

import "math"

// quadratic is min ½ sᵀHs + gᵀs over steps s with y+s ≥ low and Σs = 0: the step of every search with colour data.
// H is positive definite. It is solved by a primal active set method (Nocedal and Wright, Numerical Optimization,
// 2nd ed., algorithm 16.3; from memory). Its memory is used again from step to step.
type quadratic struct {
	n     int
	h     []float64 // n×n, by rows
	g     []float64
	y     []float64
	low   []float64
	fixed []bool // may not move

	s, grad, r, one []float64
	held            []bool
	free            []int
	chol            []float64
}

func newQuadratic(n int) *quadratic {
	all := make([]float64, 2*n*n+7*n)
	take := func(k int) []float64 {
		part := all[:k:k]
		all = all[k:]
		return part
	}
	return &quadratic{
		n: n, h: take(n * n), chol: take(n * n), g: take(n), y: take(n), low: take(n), s: take(n), grad: take(n), r: take(n), one: take(n),
		fixed: make([]bool, n), held: make([]bool, n), free: make([]int, 0, n),
	}
}

// solve leaves the best step in s.
func (q *quadratic) solve() {
	const touch = 1e-13 // of a share: nearer to its bound than this a component counts as on it
	for i := range q.n {
		q.s[i] = 0
		q.held[i] = q.fixed[i] || q.y[i]-q.low[i] <= touch
	}
	for range 10 * (q.n + 1) {
		q.slope()
		level, ok := q.newton()
		if !ok {
			return
		}
		length, blocks := 1.0, -1
		for k, i := range q.free {
			if p := q.r[k]; p < 0 {
				if room := (q.low[i] - q.y[i] - q.s[i]) / p; room < length {
					length, blocks = max(room, 0), i
				}
			}
		}
		for k, i := range q.free {
			q.s[i] += length * q.r[k]
		}
		if blocks >= 0 {
			q.s[blocks] = q.low[blocks] - q.y[blocks]
			q.held[blocks] = true
			continue
		}
		q.slope()
		if !q.release(level) {
			return
		}
	}
}

// slope brings grad to the present step.
func (q *quadratic) slope() {
	for i := range q.n {
		sum := q.g[i]
		row := q.h[i*q.n : (i+1)*q.n]
		for j, s := range q.s {
			sum += row[j] * s
		}
		q.grad[i] = sum
	}
}

// newton leaves in r the step of the free components to the lowest point that keeps the sum, and returns the common
// slope there.
func (q *quadratic) newton() (level float64, ok bool) {
	q.free = q.free[:0]
	for i := range q.n {
		if !q.held[i] {
			q.free = append(q.free, i)
		}
	}
	m := len(q.free)
	if m == 0 { // the sum pins everything
		return 0, false
	}
	for a, i := range q.free {
		q.r[a], q.one[a] = q.grad[i], 1
		for b := range a + 1 {
			q.chol[a*m+b] = q.h[i*q.n+q.free[b]]
		}
	}
	if !factor(q.chol, m) {
		return 0, false
	}
	backsolve(q.chol, q.r[:m], m)
	backsolve(q.chol, q.one[:m], m)
	level = sumOf(q.r[:m]) / sumOf(q.one[:m])
	for k := range m {
		q.r[k] = level*q.one[k] - q.r[k]
	}
	return level, !math.IsNaN(level)
}

// release frees the held component that gains most by moving up against the others.
func (q *quadratic) release(level float64) bool {
	best, gain := -1, -1e-10*(1+math.Abs(level))
	for i := range q.n {
		if q.held[i] && !q.fixed[i] && q.grad[i]-level < gain {
			best, gain = i, q.grad[i]-level
		}
	}
	if best < 0 {
		return false
	}
	q.held[best] = false
	return true
}

// factor overwrites the lower triangle of a positive definite matrix with its Cholesky factor.
func factor(a []float64, n int) bool {
	for j := range n {
		for i := j; i < n; i++ {
			sum := a[i*n+j]
			for k := range j {
				sum -= a[i*n+k] * a[j*n+k]
			}
			if i == j {
				if !(sum > 0) {
					return false
				}
				a[j*n+j] = math.Sqrt(sum)
				continue
			}
			a[i*n+j] = sum / a[j*n+j]
		}
	}
	return true
}

// backsolve overwrites b with the solution of L Lᵀ x = b.
func backsolve(l, b []float64, n int) {
	for i := range n {
		for k := range i {
			b[i] -= l[i*n+k] * b[k]
		}
		b[i] /= l[i*n+i]
	}
	for i := n - 1; i >= 0; i-- {
		for k := i + 1; k < n; k++ {
			b[i] -= l[k*n+i] * b[k]
		}
		b[i] /= l[i*n+i]
	}
}
