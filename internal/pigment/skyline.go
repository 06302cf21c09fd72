package pigment

import "math"

// skyline is a symmetric matrix of which each row is kept from its first entry to the diagonal. The normal equations
// of a calibration are a band (neighbouring wavelengths) with a border (what belongs to a whole sample): a general
// matrix of that size takes a hundred times as long to factor, and Cholesky's method fills in nothing left of a row's
// first entry. It is too small a thing to bring in a library for.
type skyline struct {
	first []int
	rows  [][]float64
}

func newSkyline(first []int) *skyline {
	m := &skyline{first, make([][]float64, len(first))}
	for i, f := range first {
		m.rows[i] = make([]float64, i-f+1)
	}
	return m
}

// add adds v at (i, j) and, the matrix being symmetric, at (j, i).
func (m *skyline) add(i, j int, v float64) {
	if j > i {
		i, j = j, i
	}
	m.rows[i][j-m.first[i]] += v
}

// factor returns the lower triangle L of m + lift·diag(m) = L Lᵀ, and false where that is not positive definite.
func (m *skyline) factor(lift float64) (*skyline, bool) {
	l := newSkyline(m.first)
	for i, row := range m.rows {
		out, fi := l.rows[i], m.first[i]
		for j := fi; j <= i; j++ {
			other, fj := l.rows[j], m.first[j]
			from := max(fi, fj)
			sum := row[j-fi]
			a, b := out[from-fi:j-fi], other[from-fj:j-fj]
			for k, v := range a {
				sum -= v * b[k]
			}
			if j < i {
				out[j-fi] = sum / other[j-fj]
				continue
			}
			sum += lift * row[i-fi]
			if !(sum > 0) || math.IsInf(sum, 0) {
				return nil, false
			}
			out[i-fi] = math.Sqrt(sum)
		}
	}
	return l, true
}

// solve overwrites x with the solution of L Lᵀ y = x for a factor L.
func (m *skyline) solve(x []float64) {
	for i := range x {
		row, f := m.rows[i], m.first[i]
		sum := x[i]
		for k := f; k < i; k++ {
			sum -= row[k-f] * x[k]
		}
		x[i] = sum / row[i-f]
	}
	for i := len(x) - 1; i >= 0; i-- {
		row, f := m.rows[i], m.first[i]
		x[i] /= row[i-f]
		v := x[i]
		for k := f; k < i; k++ {
			x[k] -= row[k-f] * v
		}
	}
}

// deviations returns the root of the diagonal of the inverse of L Lᵀ for the first n rows of a factor L: with the
// normal equations of a fit, the standard deviations of its unknowns.
func (m *skyline) deviations(n int) []float64 {
	out := make([]float64, n)
	x := make([]float64, len(m.rows))
	for j := range out { // the length of column j of the inverse of L
		clear(x)
		x[j] = 1
		sum := 0.0
		for i := j; i < len(x); i++ {
			row, f := m.rows[i], m.first[i]
			v := x[i]
			for k := max(f, j); k < i; k++ {
				v -= row[k-f] * x[k]
			}
			x[i] = v / row[i-f]
			sum += x[i] * x[i]
		}
		out[j] = math.Sqrt(sum)
	}
	return out
}
