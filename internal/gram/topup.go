package gram

import (
	"math"
	"slices"
)

// LeastTopUp returns the fewest added grams that bring every component within its tolerance: the linear programme
//
//	min Σa   subject to   |x_i − w_i M| ≤ τ_i w_i M,   T ≤ M ≤ room,   a ≥ 0,   x = P + a,   M = Σx
//
// without an external solver. For a fixed M each x_i lies between max(P_i, (1−τ_i) w_i M) and (1+τ_i) w_i M, so the
// feasible M are an interval and its lower end is the answer. There x is chosen nearest to the formula: every component
// at the same multiple of w_i M that its bounds allow, which minimises Σ(x_i − w_i M)²/w_i.
//
// tolerances are shares of each component's own grams (0.02 is 2 %). For a foreign component (w = 0) the tolerance is
// the largest share of the cup that it may be, and nothing of it is added. fixed lists components of which no more
// can be added (the tin is dry). The limits hold to within a milligram a component; LeastTopUpIn keeps them strictly,
// in whole divisions. ok is false where no cup up to room meets the limits, or the lists do not fit together.
func LeastTopUp(wanted []float64, poured []Mass, tolerances []float64, total, room Mass, fixed ...int) (add []Mass, ok bool) {
	p, ok := newTopUp(wanted, poured, tolerances, total, room, fixed)
	if !ok {
		return nil, false
	}
	least, ok := p.least()
	if !ok {
		return nil, false
	}
	m := up(least)
	if m > room {
		return nil, false
	}
	x := make([]float64, len(wanted))
	p.nearest(max(least, float64(p.in)), x)
	add = SplitLargest(x, m)
	lift(add, poured)
	for i, in := range poured {
		add[i] -= in
		if p.closed[i] && add[i] != 0 { // an odd milligram of rounding goes to what can be poured
			p.giveOpen(add, add[i])
			add[i] = 0
		}
	}
	return add, true
}

// LeastTopUpIn is LeastTopUp with every addition a whole number of divisions and every limit kept exactly as stated.
// It is the least such cup: for a given sum the whole divisions of each component are an interval of their own, so a cup
// of that sum exists just where the lower ends sum to no more and the upper ends to no less, and sums are tried upwards.
func LeastTopUpIn(wanted []float64, poured []Mass, tolerances []float64, total, room, division Mass, fixed ...int) (add []Mass, ok bool) {
	p, ok := newTopUp(wanted, poured, tolerances, total, room, fixed)
	if !ok || division <= 0 {
		return nil, false
	}
	least, ok := p.least()
	if !ok {
		return nil, false
	}
	n := len(wanted)
	ends := make([]Mass, 2*n)
	low, high := ends[:n], ends[n:] // in divisions
	d := float64(division)
	last := (room - p.in) / division
	k := max(0, stepsUp((least-float64(p.in))/d))
	for range maxTries {
		if k > last {
			return nil, false
		}
		m := float64(p.in + k*division)
		var lows, highs Mass
		next := k + 1
		empty := false
		for i := range wanted {
			lo, hi := p.bounds(i, m)
			in := float64(poured[i])
			low[i] = max(0, stepsUp((lo-in)/d))
			if p.closed[i] {
				if low[i] > 0 || hi < in-exactSlack*in {
					empty = true
				}
				low[i], high[i] = 0, 0
				continue
			}
			high[i] = stepsDown((hi - in) / d)
			if high[i] < low[i] {
				empty = true
				// The lower end never falls as the cup grows, so the cup must be at least this big.
				need := (in + float64(low[i])*d) / ((1 + p.tolerances[i]) * wanted[i])
				next = max(next, stepsUp((need-float64(p.in))/d))
			}
			lows += low[i]
			highs += max(high[i], low[i])
		}
		if lows > k {
			next = max(next, lows)
		}
		if empty || lows > k || highs < k {
			k = next
			continue
		}
		x := make([]float64, n)
		p.nearest(m, x)
		add = make([]Mass, n)
		p.fill(add, x, low, high, k, division)
		return add, true
	}
	return nil, false
}

// maxTries bounds the search for a sum of whole divisions. Each try either jumps over every sum that a component rules
// out or steps by one division; tolerances too tight for the division (0, say) would otherwise be tried for ever.
const maxTries = 20_000

// stepSlack, in divisions, is what a bound may be missed by because float64 cannot say it exactly.
const stepSlack = 1e-7

func stepsUp(v float64) Mass   { return Mass(math.Ceil(v - stepSlack)) }
func stepsDown(v float64) Mass { return Mass(math.Floor(v + stepSlack)) }

// topUp is one linear programme, its input checked.
type topUp struct {
	wanted, tolerances []float64
	poured             []Mass
	closed             []bool // nothing of it can be added: foreign or fixed
	in, total, room    Mass
}

func newTopUp(wanted []float64, poured []Mass, tolerances []float64, total, room Mass, fixed []int) (topUp, bool) {
	in, err := checkCup(wanted, poured)
	if err != nil || len(tolerances) != len(wanted) || total < 0 || room > MaxMass || in > room || total > room {
		return topUp{}, false
	}
	p := topUp{wanted, tolerances, poured, make([]bool, len(wanted)), in, total, room}
	for i, t := range tolerances {
		if !(t >= 0) {
			return topUp{}, false
		}
		p.closed[i] = wanted[i] == 0 || slices.Contains(fixed, i)
	}
	return p, true
}

// bounds returns what component i may weigh in a cup of m, in milligrams.
func (p *topUp) bounds(i int, m float64) (lo, hi float64) {
	if p.wanted[i] == 0 {
		return float64(p.poured[i]), p.tolerances[i] * m
	}
	share := p.wanted[i] * m
	return max(float64(p.poured[i]), (1-p.tolerances[i])*share), (1 + p.tolerances[i]) * share
}

// least returns the smallest feasible cup in milligrams.
func (p *topUp) least() (float64, bool) {
	from, to := float64(max(p.total, p.in)), float64(p.room)
	shut, openMost := 0.0, 0.0
	for i, w := range p.wanted {
		in, t := float64(p.poured[i]), p.tolerances[i]
		switch {
		case w == 0:
			if in > 0 {
				if t == 0 {
					return 0, false
				}
				from = max(from, in/t)
			}
			shut += in
		default:
			from = max(from, in/((1+t)*w)) // what is in must not be too much
			if p.closed[i] {
				shut += in
				if t < 1 {
					to = min(to, in/((1-t)*w)) // and what cannot be added not too little
				}
			} else {
				openMost += (1 + t) * w
			}
		}
	}
	if openMost < 1 {
		to = min(to, shut/(1-openMost)) // the rest of the cup has to be filled with something
	}
	// Σ max(P_i, (1−τ_i) w_i M) ≤ M. The left side less M is convex and never rises, so Newton's steps from the left
	// stop at its first zero after at most one step a component.
	for m := from; ; {
		fixed, slope := 0.0, 1.0
		for i, w := range p.wanted {
			in := float64(p.poured[i])
			if !p.closed[i] && (1-p.tolerances[i])*w*m > in {
				slope -= (1 - p.tolerances[i]) * w
			} else {
				fixed += in
			}
		}
		if fixed <= slope*m*(1+exactSlack)+exactSlack*m {
			from = m
			break
		}
		if slope <= exactSlack {
			return 0, false
		}
		next := fixed / slope
		if !(next > m) || next > to*(1+1e-9) {
			if next > to*(1+1e-9) {
				return 0, false
			}
			from = m
			break
		}
		m = next
	}
	if from > to*(1+exactSlack)+exactSlack {
		return 0, false
	}
	return from, true
}

// nearest fills x with the cup of m that is nearest to the formula within the bounds: x_i = clamp(s·w_i·m) with the one
// s at which they sum to m. The sum never falls as s grows, so s is found by halving to the last bit.
func (p *topUp) nearest(m float64, x []float64) {
	set := func(s float64) (sum float64) {
		for i, w := range p.wanted {
			if p.closed[i] {
				x[i] = float64(p.poured[i])
			} else {
				lo, hi := p.bounds(i, m)
				x[i] = max(lo, min(hi, s*w*m))
			}
			sum += x[i]
		}
		return sum
	}
	if set(1) == m {
		return
	}
	lo, hi := 0.0, 2.0
	for _, t := range p.tolerances {
		hi = max(hi, 1+t)
	}
	for range 60 {
		mid := (lo + hi) / 2
		if set(mid) < m {
			lo = mid
		} else {
			hi = mid
		}
	}
	set(hi)
}

// fill rounds x to whole divisions within low and high (in divisions, as additions) so that they sum to k.
func (p *topUp) fill(add []Mass, x []float64, low, high []Mass, k, division Mass) {
	d := float64(division)
	left := k
	for i := range add {
		want := stepsDown((x[i]-float64(p.poured[i]))/d + 0.5)
		add[i] = max(low[i], min(high[i], want))
		left -= add[i]
	}
	for left != 0 {
		step := Mass(1)
		if left < 0 {
			step = -1
		}
		best, cost := -1, 0.0
		for i := range add {
			to := add[i] + step
			if to < low[i] || to > high[i] || p.closed[i] {
				continue
			}
			// how far the step takes the component from its place, in its own proportion
			off := (float64(p.poured[i]+to*division) - x[i]) / d * float64(step) / p.wanted[i]
			if best < 0 || off < cost-stepSlack/p.wanted[i] { // a tie goes to the earlier one
				best, cost = i, off
			}
		}
		add[best] += step
		left -= step
	}
	for i := range add {
		add[i] *= division
	}
}

// giveOpen adds an odd milligram to the component with the largest addition that can be poured.
func (p *topUp) giveOpen(add []Mass, m Mass) {
	best := -1
	for i := range add {
		if !p.closed[i] && (best < 0 || add[i] > add[best]) {
			best = i
		}
	}
	if best >= 0 {
		add[best] += m
	}
}
