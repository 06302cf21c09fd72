package pour

import (
	"cmp"
	"math"
	"slices"

	"pourbook/internal/gram"
)

// The searches of this file use colour data. They are projected methods: always inside a ≥ 0 and T ≤ M ≤ room, each
// result in whole divisions and checked again, so that what they say holds; they do not promise the least possible.

// searchSteps bounds every halving: 2^-30 of a cup is less than a milligram of a tonne.
const searchSteps = 30

// ask returns the predicted difference of a cup in grams. What is held back until after the card is reckoned as brought
// up: it is short on purpose. x is not kept.
func (v *view) ask(x []float64) (float64, []float64) {
	if v.later == nil {
		return v.colour.Distance(x)
	}
	whole := sumOf(x)
	full := make([]float64, len(x))
	for i := range x {
		full[i] = x[i] + v.later[i]*whole
	}
	return v.colour.Distance(full)
}

// leastColour returns few grams that bring the predicted difference under the limit, or under seven tenths of it while
// toners are still to come.
func (v *view) leastColour(room gram.Mass) ([]gram.Mass, bool) {
	limit := v.limit
	if slices.ContainsFunc(v.come, func(m gram.Mass) bool { return m > 0 }) {
		limit *= aimWhileToCome
	}
	x := make([]float64, len(v.in))
	distance := func(add []float64) float64 {
		for i := range x {
			x[i] = v.in[i].Grams() + add[i]
		}
		d, _ := v.ask(x)
		if math.IsNaN(d) || d < 0 {
			return math.Inf(1)
		}
		return d
	}
	least, most := (v.goal - v.whole).Grams(), (room - v.whole).Grams()
	feasible := func(add []float64) bool {
		s := sumOf(add)
		return s >= least-1e-9 && s <= most+1e-9 && distance(add) <= limit
	}
	var best []float64
	try := func(add []float64) {
		if !feasible(add) {
			return
		}
		v.shrink(add, feasible)
		if best == nil || sumOf(add) < sumOf(best)-1e-9 {
			best = slices.Clone(add)
		}
	}
	carry := grams(v.come)
	if short := least - sumOf(carry); short > 0 { // the cup is to reach what was wanted
		for i, w := range v.wanted {
			carry[i] += w * short
		}
	}
	try(slices.Clone(carry))
	for _, end := range v.ends(room) {
		if add, ok := firstOnLine(carry, end, feasible); ok {
			try(add)
		}
	}
	for i, w := range v.wanted { // one toner alone often does it
		if w <= 0 || most <= sumOf(carry) {
			continue
		}
		end := slices.Clone(carry)
		end[i] += min(most-sumOf(carry), v.goal.Grams())
		if add, ok := firstOnLine(carry, end, feasible); ok {
			try(add)
		}
	}
	if best == nil {
		return nil, false
	}
	return v.toDivisions(best, room, limit), true
}

// ends returns cups in the formula's own ratio that a search can go towards: the full rebalance, and for what is
// foreign or lies beyond the room the fullest cup there is.
func (v *view) ends(room gram.Mass) [][]float64 {
	w, in, _, at := v.own()
	foreign := v.foreign()
	var out [][]float64
	total, add, _ := gram.Exact(w, in, max(v.goal-foreign, 0))
	if add != nil {
		out = append(out, grams(v.spread(add, at)))
	}
	full := min(room, 20*max(v.goal, v.whole)) - foreign // beyond twenty cups nobody goes on
	if full > gram.Sum(in) && (full < total || foreign > 0) {
		out = append(out, grams(v.spread(gram.FitCup(w, in, full), at)))
	}
	return out
}

// firstOnLine returns the first feasible point from one cup towards another.
func firstOnLine(from, to []float64, feasible func([]float64) bool) ([]float64, bool) {
	at := func(t float64) []float64 {
		p := make([]float64, len(from))
		for i := range p {
			p[i] = max(0, from[i]+t*(to[i]-from[i]))
		}
		return p
	}
	const stops = 16
	for k := 1; k <= stops; k++ {
		hi := float64(k) / stops
		if !feasible(at(hi)) {
			continue
		}
		lo := hi - 1./stops
		for range searchSteps {
			if mid := (lo + hi) / 2; feasible(at(mid)) {
				hi = mid
			} else {
				lo = mid
			}
		}
		return at(hi), true
	}
	return nil, false
}

// shrink takes from each addition in turn, largest first, all that the limit lets go.
func (v *view) shrink(add []float64, feasible func([]float64) bool) {
	order := make([]int, len(add))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(add[b], add[a]) })
	for range 2 {
		for _, i := range order {
			hi, lo := add[i], 0.0
			if hi == 0 {
				continue
			}
			if add[i] = 0; feasible(add) {
				continue
			}
			for range searchSteps {
				if add[i] = (lo + hi) / 2; feasible(add) {
					hi = add[i]
				} else {
					lo = add[i]
				}
			}
			add[i] = hi
		}
	}
}

// toDivisions rounds additions down or up, keeping under the limit with as few grams as that allows.
func (v *view) toDivisions(add []float64, room gram.Mass, limit float64) []gram.Mass {
	masses := make([]gram.Mass, len(add))
	for i, a := range add {
		masses[i] = gram.Of(a)
	}
	x := make([]float64, len(add))
	return gram.FloorCeil(masses, v.d, func(a []gram.Mass) float64 {
		sum := v.whole
		for i := range x {
			x[i] = (v.in[i] + a[i]).Grams()
			sum += a[i]
		}
		d, _ := v.ask(x)
		score := sum.Grams()
		if over := d - limit; over > 0 || math.IsNaN(over) {
			score += 1e9 * (1 + over)
		}
		if sum > room {
			score += 1e12
		}
		if short := v.goal - sum; short > v.d {
			score += 1e6 * short.Grams()
		}
		return score
	})
}

// nearestColour moves paint between additions of a fixed sum, along the gradient, while that lowers the difference.
func (v *view) nearestColour(add []gram.Mass) {
	x := make([]float64, len(add))
	at := func() (float64, []float64) {
		for i := range x {
			x[i] = (v.in[i] + add[i]).Grams()
		}
		return v.ask(x)
	}
	d, gradient := at()
	h := max(gram.Sum(add)/8, v.d)
	for range 500 {
		if h < max(v.d/2, 1) || len(gradient) != len(add) {
			return
		}
		from, to := -1, -1
		for i := range add {
			if v.wanted[i] <= 0 {
				continue
			}
			if add[i] > 0 && (from < 0 || gradient[i] > gradient[from]) {
				from = i
			}
			if to < 0 || gradient[i] < gradient[to] {
				to = i
			}
		}
		if from < 0 || from == to {
			return
		}
		move := min(h, add[from])
		add[from] -= move
		add[to] += move
		if next, g := at(); next < d {
			d, gradient = next, slices.Clone(g)
			continue
		}
		add[from] += move
		add[to] -= move
		h /= 2
	}
}

func sumOf(a []float64) float64 {
	s := 0.0
	for _, x := range a {
		s += x
	}
	return s
}
