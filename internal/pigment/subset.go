package pigment

import (
	"cmp"
	"math"
	"slices"

	"pourbook/internal/colour"
	"pourbook/internal/gram"
)

// tinter is a search under way. Amounts are grams; a change is a whole number of divisions on the grid.
type tinter struct {
	gauge    *gauge
	base     []float64
	k0, s0   []float64 // of the base, summed over its grams
	k, s     []float64 // of a candidate
	e        []float64
	low      []float64 // the least change of each toner: 0, or all of it out
	high     []float64 // the most
	fresh    []bool    // new to the cup
	limit    float64
	division float64
	room     float64 // grams that may still be added
	most     int
	before   float64
	lin      *linear
	flooded  int // places that flood has looked at
	// The straight line about the target: where the base is, how a gram of each toner moves it, and the sums that least
	// squares needs.
	rest float64
	down []float64
	gram [][]float64
}

func newTinter(g *gauge, base, pivot []float64, ask TintAsk) *tinter {
	n, bands := len(base), len(pivot)
	t := &tinter{
		gauge: g, base: base, k0: make([]float64, bands), s0: make([]float64, bands), k: make([]float64, bands), s: make([]float64, bands),
		e: make([]float64, len(g.weights)), low: make([]float64, n), high: make([]float64, n), fresh: make([]bool, n),
		limit: ask.Limit, division: ask.Division.Grams(), room: math.Inf(1), most: min(ask.MostToners, n), lin: newLinear(len(g.weights), maxSubset),
	}
	sum := gram.Mass(0)
	for toner, m := range ask.In {
		sum += m
		t.fresh[toner] = m == 0 && (ask.Prefer == nil || !ask.Prefer[toner])
		t.high[toner] = math.Inf(1)
		if ask.Ready != nil {
			t.high[toner] = ask.Ready[toner].Grams()
		}
		if ask.Free {
			t.low[toner] = -base[toner]
		}
		for i := range t.k0 {
			t.k0[i] += base[toner] * g.palette.k[toner][i]
			t.s0[i] += base[toner] * g.palette.s[toner][i]
		}
	}
	if ask.Room > 0 {
		t.room = (ask.Room - sum).Grams()
	}
	t.before = g.distances(t.k0, t.s0, t.e, math.Inf(1))
	t.straighten(pivot)
	return t
}

// straighten makes the straight line: K/S of base and additions equals the target's where
// Σ a (ρk - qs) = qS - ρK, which is linear in the grams a; each wavelength weighs as it moves the colour at the target.
func (t *tinter) straighten(pivot []float64) {
	g, n := t.gauge, len(t.base)
	rows := 3 * len(g.weights)
	at := make([]float64, rows)
	by := make([][]float64, n)
	for toner := range by {
		by[toner] = make([]float64, rows)
	}
	ones := make([]float64, len(pivot))
	for i := range ones {
		ones[i] = 1
	}
	values, slope := make([]float64, len(pivot)), make([]float64, len(pivot))
	for i, q := range pivot {
		r, byK, _ := opaqueSlopes(q, 1)
		values[i] = g.palette.surface.Measured(r)
		slope[i] = g.palette.surface.slope(r) * byK / t.s0[i]
	}
	change := make([]float64, len(pivot))
	project := func(l int, xyz colour.XYZ, fill func(i int) float64) [3]float64 {
		for i := range change {
			change[i] = slope[i] * fill(i)
		}
		return under(g.metric[l], xyz.LabSlope(g.xyz(l, change), g.weights[l].White()))
	}
	for l, w := range g.weights {
		xyz := g.xyz(l, values)
		lab := xyz.Lab(w.White())
		off := under(g.metric[l], colour.Lab{L: lab.L - g.targets[l].L, A: lab.A - g.targets[l].A, B: lab.B - g.targets[l].B})
		d := project(l, xyz, func(i int) float64 { return g.anchor[i]*t.k0[i] - pivot[i]*t.s0[i] })
		for axis := range 3 {
			at[3*l+axis] = d[axis] + off[axis]
		}
		for toner := range by {
			d := project(l, xyz, func(i int) float64 { return g.anchor[i]*g.palette.k[toner][i] - pivot[i]*g.palette.s[toner][i] })
			copy(by[toner][3*l:], d[:])
		}
	}
	dot := func(a, b []float64) float64 {
		sum := 0.0
		for i, v := range a {
			sum += v * b[i]
		}
		return sum
	}
	t.rest = dot(at, at)
	for i := range by {
		t.down = append(t.down, dot(by[i], at))
		row := make([]float64, n)
		for j := range by {
			row[j] = dot(by[i], by[j])
		}
		t.gram = append(t.gram, row)
	}
}

// draft is a set of toners with amounts, before the grid.
type draft struct {
	toners []int
	grams  []float64
	fresh  int
	paint  float64 // Σ|grams|
	e      float64 // ΔE00, the largest over the lights; of a sketch its straight-line root of sum of squares
}

// sketch solves a set by the straight line. False where one of its toners would not be used.
func (t *tinter) sketch(toners []int) (draft, bool) {
	n := len(toners)
	var h [maxSubset][maxSubset]float64
	var x, c [maxSubset]float64
	for i, a := range toners {
		x[i] = -t.down[a]
		for j, b := range toners {
			h[i][j] = t.gram[a][b]
		}
	}
	if !smallSolve(&h, &x, n) { // h now holds its factor
		return draft{}, false
	}
	d := draft{toners: toners, e: t.rest}
	for i, a := range toners {
		d.e += x[i] * t.down[a]
		if x[i] < t.low[a] {
			if t.low[a] == 0 {
				return draft{}, false
			}
			x[i] = t.low[a] // the rest adapts when it is worked out
		}
		if x[i] <= 0 && t.low[a] == 0 {
			return draft{}, false
		}
		if t.fresh[a] {
			d.fresh++
		}
		d.paint += math.Abs(x[i])
	}
	d.grams = slices.Clone(x[:n])
	d.e = math.Max(0, d.e)
	// Within the limit the least paint lies on the edge of an ellipsoid about the best colour.
	if slack := t.limit*t.limit*float64(len(t.gauge.weights)) - d.e; slack > 0 {
		for i := range n {
			c[i] = math.Copysign(1, x[i])
		}
		for i := range n { // cᵀH⁻¹c = |L⁻¹c|²
			for k := range i {
				c[i] -= h[i][k] * c[k]
			}
			c[i] /= h[i][i]
		}
		length := 0.0
		for i := range n {
			length += c[i] * c[i]
		}
		d.paint = math.Max(0, d.paint-math.Sqrt(slack*length))
	}
	return d, true
}

const (
	shortlist = 80    // sets of one size that are worked out for least paint
	colours   = 20    // and more of them for the best colour
	allSets   = 20000 // sets of one size that are all sketched; beyond it the best smaller ones are extended
	seeds     = 400   // how many of those
)

// search returns the best change.
func (t *tinter) search() pours {
	nothing := pours{e: t.before}
	best := nothing
	if t.before <= t.limit {
		return nothing
	}
	var earlier []draft
	for size := 1; size <= t.most; size++ {
		sketches := t.sketches(size, earlier)
		earlier = sketches
		found, close := t.size(sketches)
		if found.toners != nil {
			return found
		}
		if close.toners != nil && close.e < best.e {
			best = close
		}
	}
	return t.dropIdle(best)
}

// sketches returns the sets of one size, those that promise the best colour first.
func (t *tinter) sketches(size int, earlier []draft) []draft {
	var out []draft
	keep := func(toners []int) {
		if d, ok := t.sketch(toners); ok {
			d.toners = slices.Clone(toners)
			out = append(out, d)
		}
	}
	n := len(t.base)
	if choose(n, size) <= allSets {
		toners := make([]int, size)
		for i := range toners {
			toners[i] = i
		}
		for more := true; more; more = nextSet(toners, n) {
			keep(toners)
		}
	} else {
		seen := map[[maxSubset]int]bool{}
		for _, d := range earlier[:min(len(earlier), seeds)] {
			for extra := range n {
				if slices.Contains(d.toners, extra) {
					continue
				}
				toners := append(slices.Clone(d.toners), extra)
				slices.Sort(toners)
				key := [maxSubset]int{}
				copy(key[:], toners)
				if !seen[key] {
					seen[key] = true
					keep(toners)
				}
			}
		}
	}
	slices.SortStableFunc(out, func(a, b draft) int { return cmp.Compare(a.e, b.e) })
	return out
}

// choose returns the number of sets of k out of n, or a large number.
func choose(n, k int) int {
	out := 1
	for i := range k {
		out = out * (n - i) / (i + 1)
		if out > 1e9 {
			return 1e9
		}
	}
	return out
}

// nextSet moves a sorted set of numbers below n to the next, and reports false after the last.
func nextSet(set []int, n int) bool {
	i := len(set) - 1
	for i >= 0 && set[i] == n-len(set)+i {
		i--
	}
	if i < 0 {
		return false
	}
	set[i]++
	for j := i + 1; j < len(set); j++ {
		set[j] = set[j-1] + 1
	}
	return true
}

// size works out the promising sets of one size: the best that meets the limit, if any, and else the closest colour.
func (t *tinter) size(sketches []draft) (found, close pours) {
	within := t.limit * t.limit * float64(len(t.gauge.weights))
	var list, rest []draft
	for i, d := range sketches {
		switch {
		case d.e <= 1.5*within+0.01:
			list = append(list, d)
		case i < colours:
			rest = append(rest, d)
		}
	}
	slices.SortStableFunc(list, byOrder)
	list = append(list[:min(len(list), shortlist)], rest...)
	var ready []draft
	close.e = math.Inf(1)
	closest := draft{e: math.Inf(1)}
	for _, d := range list {
		t.nearest(&d)
		if d.e < closest.e {
			closest = d
			closest.grams = slices.Clone(d.grams)
		}
		switch {
		case d.e < t.limit:
			t.least(&d)
			ready = append(ready, d)
		case d.e < 1.1*t.limit: // Newton's steps end close to the best colour, not on it: let the grid decide
			d.paint = 0
			for _, g := range d.grams {
				d.paint += math.Abs(g)
			}
			ready = append(ready, d)
		}
	}
	slices.SortStableFunc(ready, byOrder)
	for _, d := range ready {
		if found.toners != nil && (d.fresh > found.fresh || d.paint > found.paint+1.5*t.division) {
			break
		}
		if p := t.round(d, true); p.fits(t.limit) && (found.toners == nil || better(p, found)) {
			found = p
		}
	}
	if found.toners == nil && closest.toners != nil {
		close = t.round(closest, false)
	}
	return found, close
}

// byOrder sorts drafts of one size by the order of preference.
func byOrder(a, b draft) int {
	return cmp.Or(cmp.Compare(a.fresh, b.fresh), cmp.Compare(a.paint, b.paint), cmp.Compare(a.e, b.e))
}
