package pigment

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"pourbook/internal/colour"
	"pourbook/internal/gram"
)

// MatchAsk is a measured colour for which a formula is wanted.
type MatchAsk struct {
	Target     colour.Spectrum
	Lights     []colour.Illuminant // the first is the one that metamerism starts from
	Observer   colour.Observer
	MostToners int       // in one formula, at most 6
	Amount     gram.Mass // that the parts add up to
	Division   gram.Mass // to which they are rounded
	Price      []float64 // of a kilogram by toner of the palette, in any one currency; nil for none
	Best       int       // how many formulas are wanted
	// Progress is told now and then, first before anything is done, how many of how many sets of toners are done. Stop is
	// asked after it; true ends the search with ErrStopped. Both may be nil.
	Stop     func() bool
	Progress func(done, total int)
}

// Match is one formula.
type Match struct {
	Parts      []gram.Mass // by toner of the palette
	DeltaE     []float64   // ΔE00 by light, of the rounded parts
	Worst      float64     // the largest of them
	Metamerism float64     // the largest special index from the first light to the others; to A or D65 where there is but one
	Cost       float64     // of the amount
}

// ErrStopped says that a search was ended by whoever asked for it.
var ErrStopped = errors.New("the search was stopped before it was done")

// errOutOfRange says that toner data, each a number, lead to none.
var errOutOfRange = errors.New("the colour data of the toners lead to no colour: check that K and S are those of paint, about 0.001 to 1000")

// mostSets is as many sets of toners as a search goes through: about two minutes.
const mostSets = 2_000_000

// Match returns the best formulas for a measured colour that hides: by the largest ΔE00 over the lights to the nearest
// 0.1, then by the index of metamerism to the nearest 0.1, then by cost, then the fewer toners. Every set of up to
// MostToners is tried: non-negative least squares on Σ c (k - q s) = 0, q being K/S of the target, then Newton steps on
// ΔE00, then rounding with the largest part taking what is left.
//
// Errors are sentences; ErrStopped where Stop said so.
func (p *Palette) Match(ask MatchAsk) ([]Match, error) {
	weights, err := p.lightsFor(ask.Lights, ask.Observer)
	if err != nil {
		return nil, err
	}
	if err := ask.check(p); err != nil {
		return nil, err
	}
	targets, err := labTargets(ask.Target, ask.Lights, ask.Observer)
	if err != nil {
		return nil, err
	}
	pivot, err := p.ratio(ask.Target, "the target")
	if err != nil {
		return nil, err
	}
	target, err := ask.Target.Resample(p.grid)
	if err != nil {
		return nil, err
	}
	m := newMatcher(p, weights, targets, pivot, ask)
	if m.other, err = p.others(weights, ask); err != nil {
		return nil, err
	}
	values := target.Values()
	for _, w := range append([]colour.Weights{m.gauge.weights[0]}, m.other...) {
		m.standard = append(m.standard, w.XYZ(values))
	}
	if err := m.search(ask); err != nil {
		return nil, err
	}
	if len(m.found) == 0 {
		return nil, errOutOfRange
	}
	return m.best(ask), nil
}

func (ask MatchAsk) check(p *Palette) error {
	switch {
	case ask.Target.Grid().Count == 0:
		return errors.New("there is no target: give the spectrum of the colour to match")
	case ask.MostToners < 1 || ask.MostToners > maxSubset:
		return fmt.Errorf("a formula of %d toners was asked for: choose 1 to %d", ask.MostToners, maxSubset)
	case ask.Amount <= 0 || ask.Amount > gram.MaxMass:
		return fmt.Errorf("the amount is %s: it must be above 0", ask.Amount)
	case ask.Division <= 0 || ask.Division > ask.Amount:
		return fmt.Errorf("the division is %s: it must be above 0 and no more than the amount", ask.Division)
	case ask.Best < 1:
		return errors.New("no formula was asked for: ask for at least one")
	case ask.Price != nil && len(ask.Price) != len(p.names):
		return fmt.Errorf("there are %d prices for %d toners: give one for each", len(ask.Price), len(p.names))
	}
	for i, price := range ask.Price {
		if !(price >= 0) || math.IsInf(price, 0) {
			return fmt.Errorf("the price of %s is %g: it must be 0 or above", p.names[i], price)
		}
	}
	if sets := ask.sets(len(p.names)); sets > mostSets {
		return fmt.Errorf("that is %d sets of toners to try: leave out toners or ask for formulas of fewer", sets)
	}
	return nil
}

// sets returns how many sets of toners there are to try.
func (ask MatchAsk) sets(n int) (sum int) {
	for size := 1; size <= min(ask.MostToners, n); size++ {
		sum += choose(n, size)
	}
	return sum
}

// others returns the weights of the lights to which metamerism is told.
func (p *Palette) others(weights []colour.Weights, ask MatchAsk) ([]colour.Weights, error) {
	if len(weights) > 1 {
		return weights[1:], nil
	}
	other := colour.A
	if ask.Lights[0] == colour.A {
		other = colour.D65
	}
	w, err := colour.NewWeights(p.grid, other, ask.Observer)
	if err != nil {
		return nil, err
	}
	return []colour.Weights{w}, nil
}

// matcher is a search under way.
type matcher struct {
	tinter
	other    []colour.Weights
	standard []colour.XYZ // of the target under the first light and the others
	price    []float64
	scatter  []float64 // what a gram of each toner adds to the S of the whole
	found    []matched
}

// matched is a set worked out, before rounding.
type matched struct {
	draft
	metamerism, cost float64
}

// spectral is how much the likeness of the curves counts beside that of the colour in the first draft of a set: enough
// to settle what colour alone leaves open.
const spectral = 0.1

func newMatcher(p *Palette, weights []colour.Weights, targets []colour.Lab, pivot []float64, ask MatchAsk) *matcher {
	n, bands := len(p.names), len(pivot)
	ones := make([]float64, bands)
	for i := range ones {
		ones[i] = 1
	}
	m := &matcher{price: ask.Price, scatter: make([]float64, n)}
	m.tinter = tinter{
		gauge: p.gauge(ones, weights, targets), base: make([]float64, n), k0: make([]float64, bands), s0: make([]float64, bands),
		k: make([]float64, bands), s: make([]float64, bands), e: make([]float64, len(weights)), low: make([]float64, n), high: make([]float64, n),
		fresh: make([]bool, n), limit: 0.1, division: ask.Division.Grams(), room: math.Inf(1), most: ask.MostToners, lin: newLinear(len(weights), maxSubset),
	}
	copy(m.s0, ones) // the straight line is drawn for an S of 1, to which the parts are brought afterwards
	m.straighten(pivot)
	clear(m.s0)
	for i := range n {
		m.high[i] = math.Inf(1)
	}
	sum := 0.0
	lean := make([]float64, bands)
	for i := range lean {
		f := weights[0].Factor(i)
		lean[i] = math.Max(0, f.X+f.Y+f.Z)
		sum += lean[i]
	}
	slope := make([]float64, bands)
	for i, q := range pivot {
		lean[i] /= sum
		r, byK, _ := opaqueSlopes(q, 1)
		_, by := lightness(p.surface.Measured(r))
		slope[i] = spectral * math.Sqrt(lean[i]) * by * p.surface.slope(r) * byK
	}
	for a := range n {
		for i := range lean {
			m.scatter[a] += lean[i] * p.s[a][i]
		}
		for b := range n {
			for i, q := range pivot {
				m.gram[a][b] += slope[i] * slope[i] * (p.k[a][i] - q*p.s[a][i]) * (p.k[b][i] - q*p.s[b][i])
			}
		}
	}
	return m
}

// first drafts a set by least squares, its S brought to 1: of min cᵀHc with nᵀc = 1 the solution is along H⁻¹n. False
// where a toner would not be used: the set without it is tried as well.
func (m *matcher) first(toners []int) (draft, bool) {
	n := len(toners)
	if n == 1 {
		return draft{toners: toners, grams: []float64{1}}, true
	}
	var h [maxSubset][maxSubset]float64
	var x [maxSubset]float64
	for i, a := range toners {
		x[i] = m.scatter[a]
		for j, b := range toners {
			h[i][j] = m.gram[a][b]
		}
		h[i][i] *= 1 + 1e-10
	}
	if !smallSolve(&h, &x, n) {
		return draft{}, false
	}
	sum := 0.0
	for i := range n {
		if !(x[i] > 0) {
			return draft{}, false
		}
		sum += x[i]
	}
	d := draft{toners: toners, grams: make([]float64, n)}
	for i := range n {
		d.grams[i] = x[i] / sum
	}
	return d, true
}

// search works out every set and keeps the best.
func (m *matcher) search(ask MatchAsk) error {
	n, done, total := len(m.base), 0, ask.sets(len(m.base))
	keep := 4*ask.Best + 60
	for size := 1; size <= min(ask.MostToners, n); size++ {
		toners := make([]int, size)
		for i := range toners {
			toners[i] = i
		}
		for more := true; more; more = nextSet(toners, n) {
			if done%256 == 0 {
				if ask.Progress != nil {
					ask.Progress(done, total)
				}
				if ask.Stop != nil && ask.Stop() {
					return ErrStopped
				}
			}
			done++
			d, ok := m.first(toners)
			if !ok {
				continue
			}
			m.nearest(&d)
			sum, least := 0.0, math.Inf(1)
			for _, g := range d.grams {
				sum += g
				least = math.Min(least, g)
			}
			if !(least > 1e-9*sum) {
				continue
			}
			d.toners = slices.Clone(toners)
			if x := m.judge(d, sum); !math.IsNaN(x.e+x.metamerism) && !math.IsInf(x.e, 0) {
				m.keep(x, keep)
			}
		}
	}
	if ask.Progress != nil {
		ask.Progress(total, total)
	}
	return nil
}

// judge finds out what a draft costs and how it changes with the light.
func (m *matcher) judge(d draft, sum float64) matched {
	d.e = m.distance(d.toners, d.grams)
	out := matched{draft: d, metamerism: m.metamerism()}
	for i, toner := range d.toners {
		if m.price != nil {
			out.cost += m.price[toner] * d.grams[i] / sum
		}
	}
	return out
}

// metamerism is the largest special index of what the gauge last read, as colour.Metamerism has it.
func (m *matcher) metamerism() (most float64) {
	here := m.gauge.weights[0].XYZ(m.gauge.r)
	if !(here.X > 0 && here.Y > 0 && here.Z > 0) {
		return math.Inf(1)
	}
	s := m.standard[0]
	for i, w := range m.other {
		x := w.XYZ(m.gauge.r)
		x = colour.XYZ{X: x.X * s.X / here.X, Y: x.Y * s.Y / here.Y, Z: x.Z * s.Z / here.Z}
		most = math.Max(most, colour.DeltaE2000(m.standard[i+1].Lab(w.White()), x.Lab(w.White())))
	}
	return most
}

// tenths is a figure as it is ranked by.
func tenths(v float64) float64 { return math.Round(10 * v) }

func byWorth(a, b matched) int {
	return cmp.Or(
		cmp.Compare(tenths(a.e), tenths(b.e)), cmp.Compare(tenths(a.metamerism), tenths(b.metamerism)), cmp.Compare(a.cost, b.cost),
		cmp.Compare(len(a.toners), len(b.toners)), cmp.Compare(a.e, b.e), slices.Compare(a.toners, b.toners),
	)
}

// keep puts a set among the best so far.
func (m *matcher) keep(x matched, most int) {
	if len(m.found) == most && byWorth(x, m.found[most-1]) >= 0 {
		return
	}
	at, _ := slices.BinarySearchFunc(m.found, x, byWorth)
	m.found = slices.Insert(m.found, at, x)
	if len(m.found) > most {
		m.found = m.found[:most]
	}
}

// best rounds what was kept and returns the best of it.
func (m *matcher) best(ask MatchAsk) []Match {
	var rounded []matched
	for _, x := range m.found {
		if d, ok := m.roundTo(x.draft, ask.Amount, ask.Division); ok {
			rounded = append(rounded, m.judge(d, ask.Amount.Grams()))
		}
	}
	slices.SortStableFunc(rounded, byWorth)
	var out []Match
	for _, x := range rounded[:min(len(rounded), ask.Best)] {
		one := Match{Parts: make([]gram.Mass, len(m.base)), Cost: x.cost * ask.Amount.Grams() / 1000, Metamerism: x.metamerism}
		for i, toner := range x.toners {
			one.Parts[toner] = gram.Of(x.grams[i])
		}
		one.Worst = m.distance(x.toners, x.grams)
		one.DeltaE = slices.Clone(m.e)
		out = append(out, one)
	}
	return out
}

// roundTo rounds the parts to the division, the largest taking what is left, and looks among the neighbours for a
// better colour. False where a part is less than half a division: the set without it is on the list as well.
func (m *matcher) roundTo(d draft, amount, division gram.Mass) (draft, bool) {
	sum, largest := 0.0, 0
	for i, g := range d.grams {
		sum += g
		if g > d.grams[largest] {
			largest = i
		}
	}
	parts := make([]gram.Mass, len(d.grams))
	grams := make([]float64, len(d.grams))
	fill := func() bool {
		left := amount
		for i, p := range parts {
			if i != largest {
				left -= p
				grams[i] = p.Grams()
			}
		}
		parts[largest], grams[largest] = left, left.Grams()
		return left > 0
	}
	for i, g := range d.grams {
		if parts[i] = gram.Of(g / sum * amount.Grams()).Round(division); parts[i] == 0 && i != largest {
			return draft{}, false
		}
	}
	if !fill() {
		return draft{}, false
	}
	e := m.distance(d.toners, grams)
	for range 20 {
		better := false
		for i := range parts {
			if i == largest {
				continue
			}
			for _, step := range [...]gram.Mass{-division, division} {
				if parts[i]+step <= 0 {
					continue
				}
				parts[i] += step
				if fill() {
					if now := m.distance(d.toners, grams); now < e-1e-12 {
						e, better = now, true
						continue
					}
				}
				parts[i] -= step
				fill()
			}
		}
		if !better {
			break
		}
	}
	return draft{toners: d.toners, grams: slices.Clone(grams), e: e}, true
}
