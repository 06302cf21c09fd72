package pigment

import "math"

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
