package pigment

import (
	"math"
	"slices"

	"pourbook/internal/colour"
)

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
