package pigment

import (
	"errors"
	"math"
	"slices"
)

// mostEntries bounds the normal equations: forty toners with three hundred samples at 31 wavelengths take half of it.
const mostEntries = 5_000_000

// number gives every unknown its place and every row of the normal equations its first column.
func (c *calibration) number() error {
	block := 2 * len(c.toners)
	n := block * c.grid.Count
	for i := range c.grid.Count * block {
		c.first = append(c.first, max(0, (i/block-2)*block))
	}
	for i := range c.films {
		f := &c.films[i]
		if f.thick >= 0 {
			f.thick = n
			n++
		}
		for j, e := range f.errs {
			if e >= 0 {
				f.errs[j] = n
				n++
			}
		}
	}
	for len(c.first) < n {
		c.first = append(c.first, 0)
	}
	entries := 0
	for i, f := range c.first {
		if entries += i - f + 1; entries > mostEntries {
			return errors.New("that is too much to calibrate at once: take fewer toners with the white and the black, or readings every 10 nm")
		}
	}
	c.x = make([]float64, n)
	return nil
}

// k and s return where ln K and ln S of a toner stand at a wavelength.
func (c *calibration) k(band, toner int) int { return 2 * (band*len(c.toners) + toner) }
func (c *calibration) s(band, toner int) int { return c.k(band, toner) + 1 }

// start puts the unknowns where a fit can begin: S as the prior has it, K from the sample that holds most of the toner.
func (c *calibration) start() {
	for t := range c.toners {
		best, share := -1, 0.0
		for i, f := range c.films {
			if at := slices.Index(f.toners, t); at >= 0 && f.shares[at] > share {
				best, share = i, f.shares[at]
			}
		}
		f := c.films[best]
		for band := range c.grid.Count {
			s := 0.0
			if t != c.white {
				c.x[c.s(band, t)] = c.prior.Scatter
				s = c.prior.Scatter
			}
			q := opaqueRatio(f, c.surface, band)
			if share < 1 { // what else is there is taken to scatter alike and not to absorb
				q /= share
			}
			c.x[c.k(band, t)] = math.Log(math.Max(1e-4, math.Min(q, 1e3))) + s
		}
	}
	for i := range c.films {
		f := &c.films[i]
		if f.thick < 0 {
			continue
		}
		var all []float64
		for band := range c.grid.Count {
			r1, _ := c.surface.Within(f.read[0][band])
			r2, _ := c.surface.Within(f.read[1][band])
			if _, sx, err := Unfilm(r1, f.grounds[0][band], r2, f.grounds[1][band]); err == nil {
				_, s := c.mix(f, band)
				all = append(all, math.Log(sx/s))
			}
		}
		c.x[f.thick] = thickness
		if len(all) > 0 {
			slices.Sort(all)
			c.x[f.thick] = math.Max(-4, math.Min(all[len(all)/2], 4))
		}
	}
}

// opaqueRatio returns K/S of a sample at one wavelength as if it hid; over two grounds, of the reading in the middle.
func opaqueRatio(f film, surface Surface, band int) float64 {
	mean := 0.0
	for _, read := range f.read {
		r, _ := surface.Within(read[band]) // checked by film
		mean += r / float64(len(f.read))
	}
	mean = math.Max(mean, 1e-4)
	return (1 - mean) * (1 - mean) / (2 * mean)
}

const (
	thickness       = 1.5 // ln of a film's thickness in units of the white's 1/S, to begin with and at the middle of its prior
	thicknessSpread = 2.0 // and its standard deviation: as good as any thickness
	whiteLevel      = 1.0 // the same of the logarithm of the white's S, whose level the thicknesses carry
)

const absorbMean, absorbLevel = -2, 5.0 // ln K beside the white's S: as good as any absorption

// mix returns K and S of a sample at one wavelength.
func (c *calibration) mix(f *film, band int) (k, s float64) {
	whole := 0.0
	for i, t := range f.toners {
		share := c.part(f, i)
		whole += share
		k += share * math.Exp(c.x[c.k(band, t)])
		s += share * c.scatter(band, t)
	}
	own := math.Exp(c.x[c.s(band, c.white)])
	return k * own / whole, s * own / whole
}

// scatter returns S of a toner beside the white's.
func (c *calibration) scatter(band, toner int) float64 {
	if toner == c.white {
		return 1
	}
	return math.Exp(c.x[c.s(band, toner)])
}

// part returns the i-th share of a sample with its error of weighing, not yet divided by the whole.
func (c *calibration) part(f *film, i int) float64 {
	if f.errs[i] < 0 {
		return f.shares[i]
	}
	return f.shares[i] * math.Exp(c.x[f.errs[i]])
}

// lightness is 116 ∛R with the straight piece of CIELAB near 0, and its derivative.
func lightness(r float64) (v, by float64) {
	const edge = 6.0 / 29
	if r > edge*edge*edge {
		root := math.Cbrt(r)
		return 116 * root, 116 / (3 * root * root)
	}
	return 116 * (r/(3*edge*edge) + 4.0/29), 116 / (3 * edge * edge)
}

// term is one entry of a row of the linearised fit.
type term struct {
	at int
	by float64
}

// terms appends the derivatives of a residual by the unknowns of a sample at one wavelength, from those by its K and S.
func (c *calibration) terms(terms []term, f *film, band int, byK, byS float64) []term {
	k, s := c.mix(f, band)
	own := math.Exp(c.x[c.s(band, c.white)])
	whole := 0.0
	for i := range f.toners {
		whole += c.part(f, i)
	}
	for i, t := range f.toners {
		share := c.part(f, i) / whole
		kt, st := own*math.Exp(c.x[c.k(band, t)]), own*c.scatter(band, t)
		terms = append(terms, term{c.k(band, t), byK * share * kt})
		if t != c.white {
			terms = append(terms, term{c.s(band, t), byS * share * st})
		}
		if f.errs[i] >= 0 {
			terms = append(terms, term{f.errs[i], share * (byK*(kt-k) + byS*(st-s))})
		}
	}
	return terms
}

// each calls visit for every residual of the fit, divided by its standard deviation, with its derivatives if asked for.
// data says whether it is a reading rather than a prior.
func (c *calibration) each(slopes bool, visit func(residual float64, terms []term, data bool)) {
	terms := make([]term, 0, 4*len(c.toners)+4)
	for i := range c.films {
		f := &c.films[i]
		for band := range c.grid.Count {
			k, s := c.mix(f, band)
			reading := func(measured, sd, r, byK, byS float64, more ...term) {
				want, _ := lightness(measured)
				got, slope := lightness(c.surface.Measured(r))
				lean := c.lean[band] / sd
				terms = terms[:0]
				if slopes {
					slope *= lean * c.surface.slope(r)
					terms = c.terms(terms, f, band, slope*byK, slope*byS)
					for _, m := range more {
						terms = append(terms, term{m.at, slope * m.by})
					}
				}
				visit(lean*(got-want), terms, true)
			}
			if m := f.hidden[band]; m.trust > 0 {
				r, byK, byS := opaqueSlopes(k, s)
				reading(m.measured, c.prior.Noise/m.trust, r, byK, byS)
			}
			if f.thick < 0 {
				continue
			}
			x := math.Exp(c.x[f.thick])
			for j, read := range f.read {
				r, byK, byS, byX := filmSlopes(k, s, x, f.grounds[j][band])
				reading(read[band], c.prior.Noise*c.prior.Through, r, byK, byS,
					term{c.s(band, c.white), byK*k + byS*s}, term{f.thick, byX * x})
			}
		}
		for _, e := range f.errs {
			if e >= 0 {
				visit(c.x[e]/c.prior.Strength, append(terms[:0], term{e, 1 / c.prior.Strength}), false)
			}
		}
		if f.thick >= 0 {
			visit((c.x[f.thick]-thickness)/thicknessSpread, append(terms[:0], term{f.thick, 1 / thicknessSpread}), false)
		}
	}
	// A step h of the grid takes a random walk √(h/10) as far as one of 10 nm, and its slope (h/10)^1.5.
	step := math.Sqrt(c.grid.Step / 10)
	bend := step * step * step
	// So that a finer grid does not say the level more often.
	often := math.Sqrt(math.Min(1, c.grid.Step/10))
	second := func(band int, at func(int, int) int, t int, sd float64) {
		if band+2 >= c.grid.Count {
			return
		}
		a, b, d := at(band, t), at(band+1, t), at(band+2, t)
		by := 1 / (sd * bend)
		visit(by*(c.x[a]-2*c.x[b]+c.x[d]), append(terms[:0], term{a, by}, term{b, -2 * by}, term{d, by}), false)
	}
	firstOf := func(band, t int, sd float64) {
		if band+1 >= c.grid.Count {
			return
		}
		a, b := c.s(band, t), c.s(band+1, t)
		by := 1 / (sd * step)
		visit(by*(c.x[b]-c.x[a]), append(terms[:0], term{a, -by}, term{b, by}), false)
	}
	for t := range c.toners {
		mean, level, stepSD, bendSD := c.prior.Scatter, c.prior.ScatterLevel, c.prior.ScatterStep, c.prior.ScatterBend
		if t == c.white {
			mean, level, stepSD, bendSD = 0, whiteLevel, c.prior.WhiteStep, c.prior.WhiteBend
		}
		for band := range c.grid.Count {
			at, by := c.s(band, t), often/level
			visit(by*(c.x[at]-mean), append(terms[:0], term{at, by}), false)
			firstOf(band, t, stepSD)
			second(band, c.s, t, bendSD)
			second(band, c.k, t, c.prior.AbsorbBend)
			// So weak that only a K that nothing at all tells comes to rest.
			at, by = c.k(band, t), often/absorbLevel
			visit(by*(c.x[at]-absorbMean), append(terms[:0], term{at, by}), false)
		}
	}
}

// cost is half the sum of squares of all residuals.
func (c *calibration) cost() float64 {
	sum := 0.0
	c.each(false, func(r float64, _ []term, _ bool) { sum += r * r })
	return sum / 2
}

// misfit is the root mean square of the residuals of readings, in units of L*.
func (c *calibration) misfit() float64 {
	sum, n := 0.0, 0.0
	c.each(false, func(r float64, _ []term, data bool) {
		if data {
			sum += r * r
			n++
		}
	})
	return c.prior.Noise * math.Sqrt(sum/n)
}

// normal returns the normal equations at the present unknowns, and the gradient of the cost.
func (c *calibration) normal() (*skyline, []float64) {
	m, g := newSkyline(c.first), make([]float64, len(c.x))
	c.each(true, func(r float64, terms []term, _ bool) {
		for i, a := range terms {
			g[a.at] += a.by * r
			for _, b := range terms[:i+1] {
				m.add(a.at, b.at, a.by*b.by)
			}
		}
	})
	return m, g
}

const (
	mostSteps = 60
	settled   = 2e-6 // of the cost, from one step to the next
)

// fit brings the unknowns to the least cost by Levenberg's and Marquardt's steps.
func (c *calibration) fit() error {
	lift, cost := 1e-3, c.cost()
	for range mostSteps {
		m, g := c.normal()
		before := slices.Clone(c.x)
		stepped := false
		for range 12 {
			l, ok := m.factor(lift)
			if ok {
				step := slices.Clone(g)
				l.solve(step)
				for i, s := range step {
					c.x[i] = before[i] - math.Max(-2, math.Min(2, s)) // e² at once is as far as a straight line can be trusted
				}
				if now := c.cost(); now < cost {
					done := cost-now < settled*(1+cost)
					cost, stepped, lift = now, true, math.Max(lift/8, 1e-12)
					if done {
						return nil
					}
					break
				}
				copy(c.x, before)
			}
			lift = math.Max(lift*8, 1e-9)
		}
		if !stepped {
			break
		}
	}
	if math.IsNaN(cost) || math.IsInf(cost, 0) {
		return errors.New("the samples lead to no toner data that are numbers: check that each reading belongs to its sample")
	}
	return nil
}
