package pigment

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"pourbook/internal/colour"
	"pourbook/internal/gram"
)

// TintAsk is a card that is not yet right, and what may be done about it.
type TintAsk struct {
	In           []gram.Mass     // what the cup holds, or the formula, by toner of the palette
	Card, Target colour.Spectrum // as measured; the card was sprayed from In, and both hide
	Lights       []colour.Illuminant
	Observer     colour.Observer
	Limit        float64     // the largest ΔE00 under any light that counts as right
	Division     gram.Mass   // of the scale
	Prefer       []bool      // toners that are as good as those in the cup, by toner; nil for none
	MostToners   int         // that may be touched; at most 6
	Room         gram.Mass   // the most that may be in the cup afterwards, 0 for any amount
	Free         bool        // toners may be taken out too: for a new variant, not for paint in a cup
	Ready        []gram.Mass // what the shelf holds by toner, nil for plenty
}

// Tint is what to add.
type Tint struct {
	Change        []gram.Mass // by toner of the palette, whole divisions; below 0 only if Free
	Before, After float64     // the largest ΔE00 over the lights, of the card and of what it becomes
	Total         gram.Mass
	Meets         bool // After is within the limit, and the scale is fine enough for it
	Coarse        bool // half a division of one of the changes moves the colour by more than a quarter of the limit
	// AnchorLeast and AnchorMost are the range of (K/S of the card)/(K/S predicted) where the eye sees. Outside AnchorLow to
	// AnchorHigh the card is not what the toners' data say, and the advice is a guess.
	AnchorLeast, AnchorMost float64
}

// The range of the anchor within which the toners' data describe the card. Common practice, no source.
const (
	AnchorLow  = 0.67
	AnchorHigh = 1.5
)

// Doubtful reports whether the card is so far from what the toners' data predict that the advice is a guess.
func (t Tint) Doubtful() bool { return t.AnchorLeast < AnchorLow || t.AnchorMost > AnchorHigh }

// gains is the ΔE00 that a toner must gain to be worth its pour where the limit cannot be met.
const gains = 0.1

// Tint returns the changes that bring the card to the target: those that meet the limit, and among them the fewest
// toners, the fewest that are neither in the cup nor preferred, the least paint, the smallest ΔE00, in this order.
// Where nothing meets it, the smallest ΔE00, without toners that gain less than 0.1.
//
// The prediction is anchored at the card: K/S of whatever the toners' data give is multiplied by K/S of the card over
// K/S predicted for it, wavelength by wavelength. Changes are whole divisions, checked as they will be poured, and half
// a division more or less of any of them must move the colour by at most a quarter of the limit.
//
// Where the scale is too coarse for the toners that the colour needs, they are not thinned with paint that it does not
// need: the answer is then Coarse, and a bigger batch or a finer scale the way out.
//
// Sets of toners are ranked by a straight line through K/S at the target and the best few hundred of each size worked
// out: a set that the straight line misjudges by far can be missed.
func (p *Palette) Tint(ask TintAsk) (Tint, error) {
	weights, err := p.lightsFor(ask.Lights, ask.Observer)
	if err != nil {
		return Tint{}, err
	}
	if ask.Target.Grid().Count == 0 {
		return Tint{}, errors.New("there is no target: give the spectrum of the colour to hit")
	}
	if ask.Card.Grid().Count == 0 {
		return Tint{}, errors.New("there is no card: spray one from the cup and measure it")
	}
	grams, err := ask.check(p)
	if err != nil {
		return Tint{}, err
	}
	card, err := p.ratio(ask.Card, "the card")
	if err != nil {
		return Tint{}, err
	}
	pivot, err := p.ratio(ask.Target, "the target")
	if err != nil {
		return Tint{}, err
	}
	targets, err := labTargets(ask.Target, ask.Lights, ask.Observer)
	if err != nil {
		return Tint{}, err
	}
	anchor := make([]float64, p.grid.Count)
	out := Tint{AnchorLeast: math.Inf(1)}
	for i := range anchor {
		k, s := 0.0, 0.0
		for t, g := range grams {
			k += g * p.k[t][i]
			s += g * p.s[t][i]
		}
		if k == 0 || s == 0 {
			return Tint{}, fmt.Errorf("at %g nm the toners in the cup do not absorb or do not scatter at all by their data, so the card cannot be compared with them: calibrate them again", p.grid.Wavelength(i))
		}
		anchor[i] = card[i] * s / k
		if !(anchor[i] > 0) || math.IsInf(anchor[i], 0) {
			return Tint{}, errOutOfRange
		}
		for _, w := range weights {
			if w.Factor(i).Y > carries*w.White().Y {
				out.AnchorLeast, out.AnchorMost = math.Min(out.AnchorLeast, anchor[i]), math.Max(out.AnchorMost, anchor[i])
			}
		}
	}
	t := newTinter(p.gauge(anchor, weights, targets), grams, pivot, ask)
	if math.IsNaN(t.before) || math.IsInf(t.before, 0) {
		return Tint{}, errOutOfRange
	}
	found := t.search()
	out.Before = t.before
	out.After, out.Meets, out.Coarse = found.e, found.fits(t.limit), found.coarse
	out.Change = make([]gram.Mass, len(grams))
	for _, m := range ask.In {
		out.Total += m
	}
	for j, toner := range found.toners {
		out.Change[toner] = gram.Mass(found.steps[j]) * ask.Division
		if out.Change[toner] < -ask.In[toner] { // the last, broken division of a toner taken out
			out.Change[toner] = -ask.In[toner]
		}
		out.Total += out.Change[toner]
	}
	return out, nil
}

// check refuses what no cup can be, and returns its grams.
func (ask TintAsk) check(p *Palette) ([]float64, error) {
	n := len(p.names)
	if len(ask.In) != n || (ask.Prefer != nil && len(ask.Prefer) != n) || (ask.Ready != nil && len(ask.Ready) != n) {
		return nil, fmt.Errorf("the cup, the preferred toners and the shelf need one entry for each of the %d toners", n)
	}
	var sum gram.Mass
	grams := make([]float64, n)
	for i, m := range ask.In {
		if m < 0 || m > gram.MaxMass {
			return nil, fmt.Errorf("the amount of %s is %s: it must be 0 or above", p.names[i], m)
		}
		sum += m
		grams[i] = m.Grams()
	}
	switch {
	case sum <= 0:
		return nil, errors.New("the cup is empty: give at least one toner an amount above 0")
	case !(ask.Limit > 0) || math.IsInf(ask.Limit, 0):
		return nil, fmt.Errorf("the limit is %g: it must be above 0, usually 0.3 to 1", ask.Limit)
	case ask.Division <= 0:
		return nil, fmt.Errorf("the scale's division is %s: it must be above 0", ask.Division)
	case ask.MostToners < 0 || ask.MostToners > maxSubset:
		return nil, fmt.Errorf("a tint of %d toners was asked for: choose 0 to %d", ask.MostToners, maxSubset)
	case ask.Room < 0 || ask.Room > gram.MaxMass:
		return nil, fmt.Errorf("the room in the cup is %s: it must be above 0", ask.Room)
	case ask.Room > 0 && ask.Room < sum:
		return nil, fmt.Errorf("the cup already holds %s, more than its room of %s: move it to a bigger cup first", sum, ask.Room)
	}
	return grams, nil
}

// ratio returns K/S of a measured paint that hides, on the palette's grid.
func (p *Palette) ratio(measured colour.Spectrum, what string) ([]float64, error) {
	within, err := p.within(measured, what)
	if err != nil {
		return nil, err
	}
	for i, r := range within {
		if r <= 0 {
			return nil, &GroundError{strings.TrimPrefix(what, "the "), fmt.Sprintf("%s at %g nm shows no light from within the paint: use a smaller k1, or say that gloss was excluded", what, p.grid.Wavelength(i))}
		}
		// A reading of a perfect white has no K/S; it is taken as the whitest that can be told from it.
		r = math.Min(r, 1-1e-6)
		within[i] = (1 - r) * (1 - r) / (2 * r)
	}
	return within, nil
}

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

// put fills in k and s for a change of some toners.
func (t *tinter) put(toners []int, grams []float64) {
	copy(t.k, t.k0)
	copy(t.s, t.s0)
	for j, toner := range toners {
		g := grams[j]
		for i, k := range t.gauge.palette.k[toner] {
			t.k[i] += g * k
			t.s[i] += g * t.gauge.palette.s[toner][i]
		}
	}
	for i := range t.k { // all of a toner taken out may leave a hair below 0
		t.k[i], t.s[i] = math.Max(0, t.k[i]), math.Max(0, t.s[i])
	}
}

func (t *tinter) distance(toners []int, grams []float64) float64 {
	return t.distanceTo(toners, grams, math.Inf(1))
}

// distanceTo is distance, but beyond enough any figure beyond it will do.
func (t *tinter) distanceTo(toners []int, grams []float64, enough float64) float64 {
	t.put(toners, grams)
	return t.gauge.distances(t.k, t.s, t.e, enough)
}

// clamp keeps a change within what can be added or taken out.
func (t *tinter) clamp(toners []int, grams []float64) {
	sum := 0.0
	for j, toner := range toners {
		grams[j] = math.Max(t.low[toner], math.Min(grams[j], t.high[toner]))
		sum += grams[j]
	}
	if sum > t.room && sum > 0 {
		for j := range grams {
			grams[j] *= t.room / sum
		}
	}
}

// nearest moves a draft to the smallest ΔE00, the largest over the lights, by Gauss's and Newton's steps.
func (t *tinter) nearest(d *draft) {
	n := len(d.toners)
	t.clamp(d.toners, d.grams)
	d.e = t.distance(d.toners, d.grams)
	weight := make([]float64, len(t.e))
	for i := range weight {
		weight[i] = 1
	}
	lift := 1e-6
	for range 12 {
		t.put(d.toners, d.grams)
		t.gauge.linearise(t.lin, t.k, t.s, d.toners)
		if t.lin.most < 1e-3*t.limit {
			break
		}
		var h [maxSubset][maxSubset]float64
		var b [maxSubset]float64
		for row, r := range t.lin.rows {
			w := weight[row/3]
			slopes := t.lin.slopes[row]
			for i := range n {
				b[i] -= w * slopes[i] * r
				for j := range i + 1 {
					h[i][j] += w * slopes[i] * slopes[j]
				}
			}
		}
		for i := range n {
			h[i][i] *= 1 + lift
		}
		if !smallSolve(&h, &b, n) {
			break
		}
		next := make([]float64, n)
		for i, g := range d.grams {
			next[i] = g + b[i]
		}
		t.clamp(d.toners, next)
		e := t.distance(d.toners, next)
		switch {
		case e < d.e:
			gain := d.e - e
			copy(d.grams, next)
			d.e = e
			lift = math.Max(lift/10, 1e-9)
			if gain < 1e-3*t.limit && (len(weight) == 1 || lift < 1e-6) {
				return
			}
		case lift > 1e3:
			return
		default:
			lift = math.Max(lift*30, 1e-4)
			// Towards the worst light: the largest is what counts, not the sum.
			for l, e := range t.lin.e {
				weight[l] *= 0.2 + e/t.lin.most
			}
		}
	}
}

// least moves a draft that meets the limit to the least paint that does, by a logarithmic barrier along the limit of
// each light.
func (t *tinter) least(d *draft) {
	n := len(d.toners)
	sum := func(grams []float64) (out float64) {
		for _, g := range grams {
			out += math.Abs(g)
		}
		return out
	}
	d.paint = sum(d.grams)
	square := t.limit * t.limit
	value := func(pull float64, grams []float64) float64 {
		if t.distanceTo(d.toners, grams, t.limit) >= t.limit {
			return math.Inf(1)
		}
		v := pull * sum(grams)
		for _, e := range t.e {
			v -= math.Log(square - e*e)
		}
		return v
	}
	next := make([]float64, n)
	for pull := 10 / d.paint; pull < 3000/d.paint; pull *= 6 {
		at := value(pull, d.grams)
		for range 4 {
			t.put(d.toners, d.grams)
			t.gauge.linearise(t.lin, t.k, t.s, d.toners)
			var h [maxSubset][maxSubset]float64
			var b [maxSubset]float64
			for i, g := range d.grams {
				b[i] = -pull * math.Copysign(1, g)
			}
			for l, e := range t.lin.e {
				slack := square - e*e
				var toward [maxSubset]float64
				for row := 3 * l; row < 3*l+3; row++ {
					for i := range n {
						toward[i] += t.lin.slopes[row][i] * t.lin.rows[row]
						for j := range i + 1 {
							h[i][j] += 2 * t.lin.slopes[row][i] * t.lin.slopes[row][j] / slack
						}
					}
				}
				for i := range n {
					b[i] -= 2 * toward[i] / slack
					for j := range i + 1 {
						h[i][j] += 4 * toward[i] * toward[j] / (slack * slack)
					}
				}
			}
			if !smallSolve(&h, &b, n) {
				return
			}
			moved := false
			for step := 1.0; step > 0.02; step /= 2 {
				ok := true
				for i, g := range d.grams {
					next[i] = g + step*b[i]
					// Neither through 0 nor beyond what there is.
					ok = ok && next[i]*g > 0 && next[i] >= t.low[d.toners[i]] && next[i] <= t.high[d.toners[i]]
				}
				if !ok {
					continue
				}
				if v := value(pull, next); v < at {
					moved = at-v > 1e-3
					copy(d.grams, next)
					at = v
					break
				}
			}
			if !moved {
				break
			}
		}
	}
	d.paint = sum(d.grams)
	d.e = t.distance(d.toners, d.grams)
}

// pours is a set of toners with whole divisions.
type pours struct {
	toners []int
	steps  []int
	fresh  int
	paint  float64
	e      float64
	coarse bool
}

func (p pours) fits(limit float64) bool { return p.e <= limit && !p.coarse }

// better reports whether p comes before q by the order of preference, both of one size and both fitting.
func better(p, q pours) bool {
	if p.fresh != q.fresh {
		return p.fresh < q.fresh
	}
	if math.Abs(p.paint-q.paint) > 1e-9 {
		return p.paint < q.paint
	}
	return p.e < q.e
}

// round brings a draft to the grid by searching the grid about it: for the least paint that meets the limit, or for the
// smallest ΔE00.
func (t *tinter) round(d draft, least bool) pours {
	n := len(d.toners)
	radius := [maxSubset + 1]int{0, 20, 4, 2, 1, 1, 1}[n]
	centre := make([]int, n)
	for i, g := range d.grams {
		centre[i] = int(math.Round(g / t.division))
		if least && centre[i] == 0 {
			centre[i] = int(math.Copysign(1, g))
		}
	}
	best := pours{e: math.Inf(1)}
	for range 12 { // as long as the best lies on the rim of what was searched
		at := t.about(d, centre, radius, least, best)
		if at.toners == nil || slices.Equal(at.steps, best.steps) {
			break
		}
		rim := false
		for i, s := range at.steps {
			rim = rim || s-centre[i] == radius || centre[i]-s == radius
		}
		best = at
		if !rim {
			break
		}
		copy(centre, at.steps)
	}
	if least && best.toners == nil {
		return t.flood(d)
	}
	return best
}

// flood looks at every place of the grid that meets the limit and hangs together with the nearest one, for the least
// paint that the scale is fine enough for: near the least paint alone it may be too coarse, as toners count for more in
// a smaller cup. It stops after a few thousand places in all, as a set that needs more is far from good advice.
func (t *tinter) flood(d draft) pours {
	n := len(d.toners)
	best := pours{e: math.Inf(1)}
	start := [maxSubset]int{}
	for i, g := range d.grams {
		start[i] = int(math.Round(g / t.division))
	}
	seen := map[[maxSubset]int]bool{start: true}
	queue := [][maxSubset]int{start}
	grams := make([]float64, n)
	for len(queue) > 0 && t.flooded < mostFlooded {
		at := queue[0]
		queue = queue[1:]
		t.flooded++
		p := pours{toners: d.toners, fresh: d.fresh}
		sum, ok := 0.0, true
		for i, toner := range d.toners {
			grams[i] = math.Max(t.low[toner], float64(at[i])*t.division)
			p.paint += math.Abs(grams[i])
			sum += grams[i]
			ok = ok && at[i] != 0 && float64(at[i]) > t.low[toner]/t.division-1 && grams[i] <= t.high[toner]+1e-9
		}
		if !ok || sum > t.room+1e-9 {
			continue
		}
		p.e = t.distanceTo(d.toners, grams, t.limit)
		if p.e > t.limit && at != start {
			continue
		}
		if p.e <= t.limit && (best.toners == nil || better(p, best)) && !t.coarse(d.toners, grams) {
			p.steps = slices.Clone(at[:n])
			best = p
		}
		for i := range n {
			for _, step := range [...]int{-1, 1} {
				next := at
				next[i] += step
				if !seen[next] {
					seen[next] = true
					queue = append(queue, next)
				}
			}
		}
	}
	return best
}

const mostFlooded = 1500

// about searches the grid about a centre for something better than best.
func (t *tinter) about(d draft, centre []int, radius int, least bool, best pours) pours {
	n := len(centre)
	offset, steps, grams := make([]int, n), make([]int, n), make([]float64, n)
	for i := range offset {
		offset[i] = -radius
	}
	for more := true; more; {
		p := pours{toners: d.toners, fresh: d.fresh}
		sum, ok := 0.0, true
		for i, toner := range d.toners {
			steps[i] = centre[i] + offset[i]
			grams[i] = math.Max(t.low[toner], float64(steps[i])*t.division)
			p.paint += math.Abs(grams[i])
			sum += grams[i]
			ok = ok && float64(steps[i]) > t.low[toner]/t.division-1 && grams[i] <= t.high[toner]+1e-9 && (!least || steps[i] != 0)
		}
		for i := 0; ; i++ { // the next place of the box
			if i == n {
				more = false
				break
			}
			if offset[i]++; offset[i] <= radius {
				break
			}
			offset[i] = -radius
		}
		if !ok || sum > t.room+1e-9 {
			continue
		}
		if least && best.toners != nil && p.paint > best.paint+1e-9 {
			continue
		}
		enough := best.e
		if least {
			enough = t.limit
		}
		p.e = t.distanceTo(d.toners, grams, enough)
		if least {
			if p.e > t.limit || (best.toners != nil && !better(p, best)) {
				continue
			}
		} else if p.e >= best.e {
			continue
		}
		p.coarse = t.coarse(d.toners, grams)
		if least && p.coarse {
			continue
		}
		p.steps = slices.Clone(steps)
		best = p
	}
	return best
}

// coarse reports whether half a division of any of the changes moves the colour by more than a quarter of the limit.
func (t *tinter) coarse(toners []int, grams []float64) bool {
	g := t.gauge
	t.put(toners, grams)
	var at [8]colour.Lab
	here := at[:0]
	g.read(t.k, t.s, false)
	for l, w := range g.weights {
		here = append(here, g.xyz(l, g.r).Lab(w.White()))
	}
	other := slices.Clone(grams)
	for j := range toners {
		if grams[j] == 0 {
			continue
		}
		for _, half := range [...]float64{-t.division / 2, t.division / 2} {
			other[j] = math.Max(t.low[toners[j]], grams[j]+half)
			t.put(toners, other)
			g.read(t.k, t.s, false)
			for l, w := range g.weights {
				if colour.DeltaE2000(here[l], g.xyz(l, g.r).Lab(w.White())) > t.limit/4 {
					return true
				}
			}
		}
		other[j] = grams[j]
	}
	return false
}

// dropIdle leaves out toners without which the colour is hardly worse, the idlest first, and those of which nothing is
// poured.
func (t *tinter) dropIdle(p pours) pours {
	for len(p.toners) > 0 {
		var best pours
		best.e = math.Inf(1)
		for leave := range p.toners {
			d := draft{toners: slices.Delete(slices.Clone(p.toners), leave, leave+1)}
			for i, s := range p.steps {
				if i != leave {
					d.grams = append(d.grams, math.Max(t.low[p.toners[i]], float64(s)*t.division))
				}
			}
			q := pours{e: t.before}
			if len(d.toners) > 0 {
				t.nearest(&d)
				q = t.round(d, false)
			}
			if q.e < best.e || (q.e == best.e && t.fresh[p.toners[leave]]) {
				best = q
			}
		}
		if best.e-p.e >= gains {
			break
		}
		p = best
	}
	return p
}
