package pour

import (
	"cmp"
	"math"
	"slices"

	"pourbook/internal/gram"
)

// The searches of this file use colour data. Near the formula's colour ½D² is close to a quadratic form of the cup's
// shares, whose matrix comes from one gradient a toner; each step minimises that form with the true gradient in place
// (sequential quadratic programming), always inside a ≥ 0 and with a fixed sum. The least paint is then a search along
// one line: the more paint there may be, the nearer the best cup comes. Every result is in whole divisions and was
// asked again after rounding, so that what it says holds.

const (
	quadraticSteps = 8        // from one sum to its best cup; two or three do
	sumSteps       = 12       // along the line of sums
	mostCups       = 20       // beyond twenty cups nobody goes on
	nearShares     = 1e-4     // weight of staying near the formula's shares, so that of many cups of one colour it is the plainest
	learnShare     = 0.02     // change of a toner's own grams from which the form is learnt
	offTolerance   = 0.02     // ΔE00 that is given up to bring a toner nearer to its share by a tolerance
	keepToCome     = 0.8      // of what is still to come of a toner: common practice, no source
	learnForeign   = 1e-4     // the same for what is foreign, of the whole cup
	goodEnough     = 1 - 2e-3 // of the limit: what a search aims at, so that rounding in the last figure does not miss it
)

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
	d, g := v.colour.Distance(full)
	if len(g) == len(x) {
		more := 0.0 // a gram of anything asks for that much more of what is held back
		for i := range g {
			more += g[i] * v.later[i]
		}
		g = slices.Clone(g)
		for i := range g {
			g[i] += more
		}
	}
	return d, g
}

// field is ½D² over the shares of a cup, with its slopes; the present one or a form that stands for it.
type field func(y, slope []float64) (value float64)

// near searches for the cup of a given sum whose colour is nearest to the formula's.
type near struct {
	v    *view
	form []float64 // of ½D² by shares, n×n
	q    *quadratic
	at   field
	in   []float64 // grams in the cup
	shut []bool    // may not be added to
	pull []float64 // towards the formula's share of each
	soft float64   // what the form lacks to be positive

	y, try, slope, next, x []float64
}

// newNear learns the form around the formula's own colour. It fails where the colours cannot be predicted there.
func (v *view) newNear() (*near, bool) {
	n := len(v.in)
	s := &near{
		v: v, form: make([]float64, n*n), q: newQuadratic(n), in: grams(v.in), shut: make([]bool, n),
		y: make([]float64, n), try: make([]float64, n), slope: make([]float64, n), next: make([]float64, n), x: make([]float64, n),
	}
	s.at = s.truth
	for i := range n {
		s.shut[i] = v.wanted[i] <= 0 || v.most[i] == 0
	}
	still := make([]float64, n)
	if s.truth(v.wanted, still); anyBad(still) {
		return nil, false
	}
	y, slope := slices.Clone(v.wanted), make([]float64, n)
	for i := range n {
		h := learnShare * v.wanted[i]
		if h <= 0 {
			h = learnForeign
		}
		y[i] += h
		if s.truth(y, slope); anyBad(slope) {
			return nil, false
		}
		y[i] = v.wanted[i]
		for j := range n {
			s.form[i*n+j] = (slope[j] - still[j]) / h
		}
	}
	for i := range n {
		for j := range i {
			mean := (s.form[i*n+j] + s.form[j*n+i]) / 2
			s.form[i*n+j], s.form[j*n+i] = mean, mean
		}
	}
	s.pull = make([]float64, n)
	// Bent colour differences can give a form that is not quite positive; weight on the shares makes it so.
	for range 40 {
		s.pullBy(func(_ int, w float64) float64 { return nearShares / w })
		copy(s.q.chol, s.q.h)
		if factor(s.q.chol, n) {
			return s, true
		}
		s.soft = max(2*s.soft, nearShares)
	}
	return nil, false
}

// pullBy sets how strongly each own component is held to its share.
func (s *near) pullBy(pull func(i int, w float64) float64) {
	copy(s.q.h, s.form)
	n := len(s.pull)
	for i, w := range s.v.wanted {
		s.pull[i] = 0
		if w > 0 {
			s.pull[i] = pull(i, w)
		} else {
			w = 1
		}
		s.q.h[i*n+i] += s.pull[i] + (nearShares+s.soft)/w
	}
}

func anyBad(x []float64) bool {
	return slices.ContainsFunc(x, func(f float64) bool { return math.IsNaN(f) || math.IsInf(f, 0) })
}

// truth is ½D² itself.
func (s *near) truth(y, slope []float64) float64 {
	d, g := s.v.ask(y)
	if math.IsNaN(d) || d < 0 || math.IsInf(d, 0) || len(g) != len(y) {
		for i := range slope {
			slope[i] = math.NaN()
		}
		return math.Inf(1)
	}
	for i := range slope {
		slope[i] = d * g[i]
	}
	return d * d / 2
}

// formAround returns the form as it lies at a known cup: a field that costs next to nothing.
func (s *near) formAround(x []float64) field {
	n, sum := len(x), sumOf(x)
	y0 := make([]float64, n)
	for i := range x {
		y0[i] = x[i] / sum
	}
	g0 := make([]float64, n)
	f0 := s.truth(y0, g0)
	return func(y, slope []float64) float64 {
		f := f0
		for i := range n {
			bend := 0.0
			row := s.form[i*n : (i+1)*n]
			for j := range n {
				bend += row[j] * (y[j] - y0[j])
			}
			slope[i] = g0[i] + bend
			f += (y[i] - y0[i]) * (g0[i] + bend/2)
		}
		return f
	}
}

// merit adds to a field what keeps the cup near the formula's shares.
func (s *near) merit(y, slope []float64) float64 {
	f := s.at(y, slope)
	for i, w := range s.v.wanted {
		off := y[i] - w
		f += s.pull[i] * off * off / 2
		slope[i] += s.pull[i] * off
	}
	return f
}

// reach moves x, grams, to the best cup of their sum.
func (s *near) reach(x []float64) {
	q, sum := s.q, sumOf(x)
	for i := range x {
		s.y[i] = x[i] / sum
		q.low[i] = s.in[i] / sum
		q.fixed[i] = s.shut[i]
	}
	f := s.merit(s.y, s.slope)
	for range quadraticSteps {
		if math.IsInf(f, 0) || anyBad(s.slope) {
			break
		}
		copy(q.y, s.y)
		copy(q.g, s.slope)
		q.solve()
		gain := 0.0
		for i, step := range q.s {
			gain -= s.slope[i] * step
		}
		if gain <= 1e-6*f+1e-12 {
			break
		}
		better := false
		for length := 1.0; length > 1e-3; length /= 2 {
			for i := range s.y {
				s.try[i] = s.y[i] + length*q.s[i]
			}
			if t := s.merit(s.try, s.next); t < f-1e-4*length*gain {
				small := f-t < 1e-4*f
				f, better = t, !small
				copy(s.y, s.try)
				copy(s.slope, s.next)
				break
			}
		}
		if !better {
			break
		}
	}
	for i := range x {
		x[i] = s.y[i] * sum
	}
}

// difference returns D of a cup by the present field.
func (s *near) difference(x []float64) float64 {
	sum := sumOf(x)
	for i := range x {
		s.try[i] = x[i] / sum
	}
	return math.Sqrt(2 * max(s.at(s.try, s.next), 0))
}

// start returns a cup of a sum to search from: what is in, and the rest where the formula misses it.
func (s *near) start(sum float64) []float64 {
	x := slices.Clone(s.in)
	left := sum - sumOf(x)
	miss := 0.0
	for i, w := range s.v.wanted {
		if !s.shut[i] {
			miss += max(w*sum-s.in[i], 0)
		}
	}
	if left <= 0 || miss <= 0 {
		return x
	}
	for i, w := range s.v.wanted {
		if !s.shut[i] {
			x[i] += left * max(w*sum-s.in[i], 0) / miss
		}
	}
	return x
}

// best returns the nearest cup of a sum, from several starts where the first stays beyond the limit.
func (s *near) best(sum float64) ([]float64, float64) {
	x := s.start(sum)
	s.reach(x)
	return x, s.difference(x)
}

// least returns the smallest cup between two sums that is no further than limit from the formula's colour.
func (s *near) least(from, to, limit float64) ([]float64, bool) {
	if from > to {
		return nil, false
	}
	x, d := s.best(from)
	if d <= limit {
		return x, true
	}
	end, e := s.best(to)
	if !(e <= limit) {
		return nil, false
	}
	// The difference falls about as 1/sum does: the method of false position, in its Illinois form, along that.
	a, fa, b, fb := 1/from, d-limit, 1/to, e-limit
	side := 0
	for range sumSteps {
		u := (a*fb - b*fa) / (fb - fa)
		if math.IsInf(fa, 0) || !(u < a && u > b) {
			u = (a + b) / 2
		}
		x, d := s.best(1 / u)
		if f := d - limit; f > 0 {
			a, fa = u, f
			if side == 1 {
				fb /= 2
			}
			side = 1
		} else {
			b, fb, end = u, f, x
			if side == -1 {
				fa /= 2
			}
			side = -1
			if f > -1e-3*limit {
				break
			}
		}
		if 1/b-1/a < s.v.d.Grams()/8 {
			break
		}
	}
	return end, true
}

// furthest returns the largest cup that a search needs to look at.
func (v *view) furthest(room gram.Mass) float64 {
	w, in, _, _ := v.own()
	foreign := v.foreign()
	total, add, _ := gram.Exact(w, in, max(v.goal-foreign, 0))
	most := mostCups * max(v.goal, v.whole)
	if add != nil && foreign == 0 {
		most = min(most, total+1)
	}
	return min(most, room).Grams()
}

// leastColour returns the fewest grams that bring the predicted difference under the limit, or under seven tenths of it
// while toners are still to come. A pour more must save at least a division, or what its minute costs in paint.
func (v *view) leastColour(room gram.Mass) ([]gram.Mass, bool) {
	s, ok := v.newNear()
	if !ok {
		return nil, false
	}
	limit := v.limit
	if slices.ContainsFunc(v.come, func(m gram.Mass) bool { return m > 0 }) {
		limit *= aimWhileToCome
	}
	from, to := max(v.goal, v.whole).Grams(), v.furthest(room)
	for aim := limit * goodEnough; aim > limit/2; aim *= 0.93 {
		x, ok := s.least(from, to, aim)
		if !ok {
			return nil, false
		}
		x = s.fuller(s.fewerPours(x, from, to, aim), from, to, aim)
		x = s.plainest(x, aim)
		if add, ok := s.inDivisions(x, room, limit); ok {
			return add, true
		}
	}
	return v.roundedBest(s, to, room, limit)
}

// roundedBest is for a display so coarse that rounding alone leaves the limit: the nearest cup of the largest sum.
func (v *view) roundedBest(s *near, sum float64, room gram.Mass, limit float64) ([]gram.Mass, bool) {
	x, _ := s.best(sum)
	return s.inDivisions(x, room, limit)
}

// worth returns the paint that one pour less is worth: a division, or what its minute costs.
func (v *view) worth() float64 {
	worth := v.d.Grams()
	if v.priced {
		gram := 0.0
		for i, w := range v.wanted {
			gram += w * v.price[i]
		}
		if gram > 0 {
			worth = max(worth, minutesPerPour*float64(v.shop.MinuteRate)/gram)
		}
	}
	return worth
}

// fewerPours leaves out, one by one, what would have to be topped up, as long as that costs less than the pour. It
// compares by the form and asks the true colour once at the end.
func (s *near) fewerPours(x []float64, from, to, limit float64) []float64 {
	v := s.v
	var tops []int
	for i := range x {
		if x[i]-s.in[i] > 1e-9 && v.come[i] == 0 {
			tops = append(tops, i)
		}
	}
	if len(tops) == 0 {
		return x
	}
	slices.SortStableFunc(tops, func(a, b int) int { return cmp.Compare(x[a]-s.in[a], x[b]-s.in[b]) })
	s.at = s.formAround(x)
	sum, worth := sumOf(x), v.worth()
	shut := slices.Clone(s.shut)
	for _, i := range tops {
		s.shut[i] = true
		without, ok := s.least(from, to, limit)
		if !ok || sumOf(without) > sum+worth {
			s.shut[i] = false
			continue
		}
		sum = sumOf(without)
	}
	s.at = s.truth
	if fewer, ok := s.least(from, to, limit); ok && sumOf(fewer) < sumOf(x)+worth*float64(len(tops)) {
		x = fewer
	}
	s.shut = shut
	return x
}

// fuller keeps most of what is still to come of every toner, where that costs less than half a division a toner.
func (s *near) fuller(x []float64, from, to, limit float64) []float64 {
	in := s.in
	floor, cut := slices.Clone(in), false
	for i, m := range s.v.come {
		if !s.shut[i] {
			floor[i] += keepToCome * m.Grams()
			cut = cut || x[i] < floor[i]-1e-9
		}
	}
	if !cut {
		return x
	}
	s.in = floor
	more, ok := s.least(max(from, sumOf(floor)), to, limit)
	s.in = in
	if ok && sumOf(more)-sumOf(x) <= s.v.d.Grams()*float64(len(x))/2 {
		return more
	}
	return x
}

// plainest returns, of the cups that weigh the same and meet the limit, the one nearest to the formula: a toner is not
// left out because two lights would not show it. An error of one tolerance counts as much as a difference of offTolerance.
func (s *near) plainest(x []float64, limit float64) []float64 {
	shut := slices.Clone(s.shut)
	for i := range x {
		s.shut[i] = s.shut[i] || s.v.come[i] == 0 && x[i]-s.in[i] <= 1e-9
	}
	for weight := 1.0; weight > 1e-3; weight /= 4 {
		s.pullBy(func(i int, w float64) float64 {
			one := s.v.tau[i] * w / offTolerance
			return weight / (one * one)
		})
		y := slices.Clone(x)
		s.reach(y)
		if d, _ := s.v.ask(y); d <= limit {
			x = y
			break
		}
	}
	s.pullBy(func(_ int, w float64) float64 { return nearShares / w })
	s.shut = shut
	return x
}

// roundings bounds how many roundings are asked for their true colour.
const roundings = 16

// inDivisions rounds what is added down or up: of all such cups that keep the limit the one with the fewest grams, and of
// those the nearest. The form sorts them; the true colour decides.
func (s *near) inDivisions(x []float64, room gram.Mass, limit float64) ([]gram.Mass, bool) {
	v, n := s.v, len(x)
	d := v.d.Grams()
	low := make([]gram.Mass, n)
	var open []int
	sum := v.whole
	for i := range x {
		steps := max(x[i]-s.in[i], 0) / d
		down := math.Floor(steps + 1e-6)
		low[i] = gram.Mass(down) * v.d
		sum += low[i]
		if steps-down > 1e-6 {
			open = append(open, i)
		}
	}
	const most = 12
	for len(open) > most { // the largest move the colour least: they are rounded to the nearest
		big := 0
		for k, i := range open {
			if v.wanted[i] > v.wanted[open[big]] {
				big = k
			}
		}
		i := open[big]
		near := gram.RoundAdds([]gram.Mass{gram.Of(x[i] - s.in[i])}, v.d)[0]
		sum += near - low[i]
		low[i] = near
		open = slices.Delete(open, big, big+1)
	}
	type rounding struct {
		up    uint
		count int
		f     float64
	}
	form := s.formAround(x)
	cups := make([]rounding, 0, 1<<len(open))
	y := make([]float64, n)
	for up := range uint(1) << len(open) {
		total, count := sum, 0
		for i := range y {
			y[i] = s.in[i] + low[i].Grams()
		}
		for k, i := range open {
			if up>>k&1 == 1 {
				y[i] += d
				total += v.d
				count++
			}
		}
		if total > room || v.goal-total > v.d {
			continue
		}
		whole := total.Grams()
		for i := range y {
			y[i] /= whole
		}
		cups = append(cups, rounding{up, count, form(y, s.next)})
	}
	within := limit * limit / 2
	slices.SortFunc(cups, func(a, b rounding) int {
		aIn, bIn := a.f <= within*1.02, b.f <= within*1.02
		switch {
		case aIn && !bIn:
			return -1
		case bIn && !aIn:
			return 1
		case aIn:
			return cmp.Or(cmp.Compare(a.count, b.count), cmp.Compare(a.f, b.f), cmp.Compare(a.up, b.up))
		}
		return cmp.Or(cmp.Compare(a.f, b.f), cmp.Compare(a.up, b.up))
	})
	for _, c := range cups[:min(roundings, len(cups))] {
		add := slices.Clone(low)
		for k, i := range open {
			if c.up>>k&1 == 1 {
				add[i] += v.d
			}
		}
		for i := range y {
			y[i] = s.in[i] + add[i].Grams()
		}
		if got, _ := v.ask(y); got <= limit {
			return add, true
		}
	}
	return nil, false
}

// nearestColour moves additions of a fixed sum to the cup whose colour is nearest to the formula's.
func (v *view) nearestColour(add []gram.Mass) {
	s, ok := v.newNear()
	if !ok {
		return
	}
	sum := gram.Sum(add)
	x := make([]float64, len(add))
	for i := range x {
		x[i] = (v.in[i] + add[i]).Grams()
	}
	before, _ := v.ask(x)
	s.reach(x)
	if after, _ := v.ask(x); !(after < before) {
		return
	}
	rest := make([]float64, len(add))
	for i := range rest {
		rest[i] = max(x[i]-s.in[i], 0)
	}
	whole := sumOf(rest)
	if whole <= 0 {
		return
	}
	for i := range rest {
		rest[i] /= whole
	}
	copy(add, gram.SplitLargest(rest, sum))
}

func sumOf(a []float64) float64 {
	s := 0.0
	for _, x := range a {
		s += x
	}
	return s
}
