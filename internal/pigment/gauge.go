package pigment

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"pourbook/internal/colour"
)

// gauge tells how far a hiding mixture of some toners lies from a target, fast enough to ask of many thousands. All
// arithmetic of tint and match goes through it. Its K/S is multiplied by an anchor, wavelength by wavelength.
type gauge struct {
	palette *Palette
	anchor  []float64
	weights []colour.Weights
	factors [][][3]float64 // by light, then wavelength
	targets []colour.Lab
	metric  [][6]float64 // by light: the Cholesky factor of ΔE00² about the target
	r, rk   []float64    // room to work in: the reading, and the derivative of it by K with S held
	rs      []float64
	change  []float64
	sums    [maxSubset][]colour.XYZ
}

// labTargets is the colour to hit, as seen under each light.
func labTargets(target colour.Spectrum, lights []colour.Illuminant, observer colour.Observer) ([]colour.Lab, error) {
	var out []colour.Lab
	for _, light := range lights {
		lab, err := target.Lab(light, observer)
		if err != nil {
			return nil, err
		}
		out = append(out, lab)
	}
	return out, nil
}

// lightsFor checks the lights and returns their weights on the palette's grid.
func (p *Palette) lightsFor(lights []colour.Illuminant, observer colour.Observer) ([]colour.Weights, error) {
	if len(lights) == 0 {
		return nil, errors.New("no light is named: choose at least one, usually D65")
	}
	var out []colour.Weights
	for i, light := range lights {
		if slices.Contains(lights[:i], light) {
			return nil, fmt.Errorf("the light %s is named twice: name each once", light)
		}
		w, err := colour.NewWeights(p.grid, light, observer)
		if err != nil {
			return nil, err
		}
		out = append(out, w)
	}
	return out, nil
}

func (p *Palette) gauge(anchor []float64, weights []colour.Weights, targets []colour.Lab) *gauge {
	n := p.grid.Count
	g := &gauge{palette: p, anchor: anchor, weights: weights, targets: targets, r: make([]float64, n), rk: make([]float64, n), rs: make([]float64, n), change: make([]float64, n)}
	for i := range g.sums {
		g.sums[i] = make([]colour.XYZ, len(weights))
	}
	for l, w := range weights {
		f := make([][3]float64, n)
		for i := range f {
			xyz := w.Factor(i)
			f[i] = [3]float64{xyz.X, xyz.Y, xyz.Z}
		}
		g.factors = append(g.factors, f)
		g.metric = append(g.metric, metricAt(targets[l]))
	}
	return g
}

// metricAt returns the upper triangle U, row by row, with ΔE00² ≈ |U·(ΔL, Δa, Δb)|² close to a colour. ΔE00 is a
// norm there but for terms of third order; its six numbers are read off along the axes and their diagonals.
func metricAt(lab colour.Lab) [6]float64 {
	const h = 1e-3
	square := func(l, a, b float64) float64 {
		// The mean of both sides takes out the third order.
		plus := colour.DeltaE2000(lab, colour.Lab{L: lab.L + h*l, A: lab.A + h*a, B: lab.B + h*b}) / h
		minus := colour.DeltaE2000(lab, colour.Lab{L: lab.L - h*l, A: lab.A - h*a, B: lab.B - h*b}) / h
		return (plus*plus + minus*minus) / 2
	}
	ll, aa, bb := square(1, 0, 0), square(0, 1, 0), square(0, 0, 1)
	la, lb, ab := (square(1, 1, 0)-ll-aa)/2, (square(1, 0, 1)-ll-bb)/2, (square(0, 1, 1)-aa-bb)/2
	const least = 1e-6 // near grey, where the formula has a corner, the six can miss being a norm
	u0 := math.Sqrt(math.Max(ll, least))
	u1, u2 := la/u0, lb/u0
	u3 := math.Sqrt(math.Max(aa-u1*u1, least))
	u4 := (ab - u1*u2) / u3
	u5 := math.Sqrt(math.Max(bb-u2*u2-u4*u4, least))
	return [6]float64{u0, u1, u2, u3, u4, u5}
}

// under multiplies a change of Lab by the metric.
func under(u [6]float64, d colour.Lab) [3]float64 {
	return [3]float64{u[0]*d.L + u[1]*d.A + u[2]*d.B, u[3]*d.A + u[4]*d.B, u[5] * d.B}
}

// read fills in the reading of a mixture of the given K and S. Both are sums over grams; only their ratio counts.
func (g *gauge) read(k, s []float64, slopes bool) {
	surface := g.palette.surface
	for i, ki := range k {
		a := g.anchor[i] * ki
		if !slopes {
			g.r[i] = surface.Measured(Opaque(a, s[i]))
			continue
		}
		r, byK, byS := opaqueSlopes(a, s[i])
		slope := surface.slope(r)
		g.r[i], g.rk[i], g.rs[i] = surface.Measured(r), slope*byK*g.anchor[i], slope*byS
	}
}

// xyz sums values under one light.
func (g *gauge) xyz(light int, values []float64) colour.XYZ {
	var x, y, z float64
	f := g.factors[light]
	for i, v := range values {
		x += f[i][0] * v
		y += f[i][1] * v
		z += f[i][2] * v
	}
	return colour.XYZ{X: x, Y: y, Z: z}
}

// distances fills in ΔE00 under each light and returns the largest; beyond enough it stops at the first light that is.
func (g *gauge) distances(k, s, out []float64, enough float64) float64 {
	g.read(k, s, false)
	most := 0.0
	for l, w := range g.weights {
		out[l] = colour.DeltaE2000(g.targets[l], g.xyz(l, g.r).Lab(w.White()))
		if most = math.Max(most, out[l]); most > enough {
			break
		}
	}
	return most
}

// linear is a mixture's place about the target: for each light and each of the three axes of the metric, where it is
// and how it moves by a gram of each toner asked for.
type linear struct {
	rows   []float64   // 3 a light
	slopes [][]float64 // by row, then toner asked for
	e      []float64   // ΔE00 by light
	most   float64
}

// linearise fills in l for the toners given, whose K and S a gram are in k and s.
func (g *gauge) linearise(l *linear, k, s []float64, toners []int) {
	g.read(k, s, true)
	l.most = 0
	for j, t := range toners {
		for i := range g.change {
			g.change[i] = g.rk[i]*g.palette.k[t][i] + g.rs[i]*g.palette.s[t][i]
		}
		for light := range g.weights {
			g.sums[j][light] = g.xyz(light, g.change)
		}
	}
	for light, w := range g.weights {
		xyz, white := g.xyz(light, g.r), w.White()
		lab := xyz.Lab(white)
		target := g.targets[light]
		e := colour.DeltaE2000(target, lab)
		l.e[light] = e
		l.most = math.Max(l.most, e)
		at := under(g.metric[light], colour.Lab{L: lab.L - target.L, A: lab.A - target.A, B: lab.B - target.B})
		// The norm at the target is short or long further off: it is brought to the true distance.
		norm := math.Sqrt(at[0]*at[0] + at[1]*at[1] + at[2]*at[2])
		scale := 1.0
		if norm > 1e-9 && e > 1e-9 {
			scale = e / norm
		}
		for axis := range 3 {
			l.rows[3*light+axis] = scale * at[axis]
		}
		for j := range toners {
			d := under(g.metric[light], xyz.LabSlope(g.sums[j][light], white))
			for axis := range 3 {
				l.slopes[3*light+axis][j] = scale * d[axis]
			}
		}
	}
}

func newLinear(lights, toners int) *linear {
	l := &linear{rows: make([]float64, 3*lights), slopes: make([][]float64, 3*lights), e: make([]float64, lights)}
	for i := range l.slopes {
		l.slopes[i] = make([]float64, toners)
	}
	return l
}

// maxSubset is the most toners that a tint or a match puts in at once.
const maxSubset = 6

// smallSolve solves a·x = b for a symmetric positive matrix of at most maxSubset rows, kept in the leading n by n; a and b
// are overwritten, x comes back in b. False where it is not positive definite.
func smallSolve(a *[maxSubset][maxSubset]float64, b *[maxSubset]float64, n int) bool {
	for i := range n {
		for j := range i + 1 {
			sum := a[i][j]
			for k := range j {
				sum -= a[i][k] * a[j][k]
			}
			if i > j {
				a[i][j] = sum / a[j][j]
				continue
			}
			if !(sum > 1e-14*a[i][i]) {
				return false
			}
			a[i][i] = math.Sqrt(sum)
		}
	}
	for i := range n {
		sum := b[i]
		for k := range i {
			sum -= a[i][k] * b[k]
		}
		b[i] = sum / a[i][i]
	}
	for i := n - 1; i >= 0; i-- {
		sum := b[i]
		for k := i + 1; k < n; k++ {
			sum -= a[k][i] * b[k]
		}
		b[i] = sum / a[i][i]
	}
	return true
}
