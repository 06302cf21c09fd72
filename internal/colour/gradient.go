package colour

import "math"

// DeltaE2000Slope returns ΔE00 with its derivatives by the sample's L, a and b, computed along with the value and not by
// differences. At a difference of 0, where the distance has a corner, and at the few places where the formula itself
// jumps (hues 180 degrees apart) the derivatives are those of one side, or 0.
func DeltaE2000Slope(standard, sample Lab) (deltaE float64, by Lab) {
	const pow25to7 = 25.0 * 25 * 25 * 25 * 25 * 25 * 25
	l2, a2, b2 := slope{sample.L, [3]float64{1}}, slope{sample.A, [3]float64{0, 1}}, slope{sample.B, [3]float64{0, 0, 1}}
	l1, a1, b1 := constant(standard.L), constant(standard.A), constant(standard.B)

	// The steps and names are those of CIEDE2000.
	meanC7 := a1.hypot(b1).plus(a2.hypot(b2)).times(0.5).pow7()
	g := meanC7.over(meanC7.add(pow25to7)).sqrt().times(-0.5).add(0.5)
	a1, a2 = a1.mul(g.add(1)), a2.mul(g.add(1))
	c1, c2 := a1.hypot(b1), a2.hypot(b2)
	h1, h2 := hue(a1, b1), hue(a2, b2)

	dl, dc := l2.minus(l1), c2.minus(c1)
	meanL, meanC := l1.plus(l2).times(0.5), c1.plus(c2).times(0.5)
	dh, meanH := h2.minus(h1), h1.plus(h2).times(0.5)
	switch {
	case c1.v*c2.v == 0:
		dh, meanH = constant(0), h1.plus(h2)
	case math.Abs(h1.v-h2.v) > 180:
		dh = dh.add(-math.Copysign(360, dh.v))
		if h1.v+h2.v < 360 {
			meanH = meanH.add(180)
		} else {
			meanH = meanH.add(-180)
		}
	}
	dH := c1.mul(c2).sqrt().mul(dh.times(0.5).sin()).times(2)

	t := meanH.add(-30).cos().times(-0.17).
		plus(meanH.times(2).cos().times(0.24)).
		plus(meanH.times(3).add(6).cos().times(0.32)).
		plus(meanH.times(4).add(-63).cos().times(-0.20)).
		add(1)
	l50 := meanL.add(-50)
	l50 = l50.mul(l50)
	sl := l50.over(l50.add(20).sqrt()).times(0.015).add(1)
	sc := meanC.times(0.045).add(1)
	sh := meanC.mul(t).times(0.015).add(1)
	bell := meanH.add(-275).times(1.0 / 25)
	turn := bell.mul(bell).times(-1).exp().times(60) // 2Δθ
	c7 := meanC.pow7()
	rt := c7.over(c7.add(pow25to7)).sqrt().times(-2).mul(turn.sin())

	l, c, h := dl.over(sl), dc.over(sc), dH.over(sh)
	square := l.mul(l).plus(c.mul(c)).plus(h.mul(h)).plus(rt.mul(c).mul(h))
	if square.v <= 0 {
		return 0, Lab{}
	}
	e := square.sqrt()
	return e.v, Lab{e.d[0], e.d[1], e.d[2]}
}

// slope is a number with its derivatives by three variables; the methods below carry them along (forward mode
// differentiation). Angles are in degrees.
type slope struct {
	v float64
	d [3]float64
}

func constant(v float64) slope { return slope{v: v} }

// chain returns f(x) where f has the value v and the derivative by at x.
func (x slope) chain(v, by float64) slope {
	return slope{v, [3]float64{by * x.d[0], by * x.d[1], by * x.d[2]}}
}

func (x slope) add(c float64) slope   { return slope{x.v + c, x.d} }
func (x slope) times(c float64) slope { return x.chain(x.v*c, c) }

func (x slope) plus(y slope) slope {
	return slope{x.v + y.v, [3]float64{x.d[0] + y.d[0], x.d[1] + y.d[1], x.d[2] + y.d[2]}}
}

func (x slope) minus(y slope) slope { return x.plus(y.times(-1)) }

func (x slope) mul(y slope) slope {
	return slope{x.v * y.v, x.times(y.v).plus(y.times(x.v)).d}
}

func (x slope) over(y slope) slope { return x.mul(y.chain(1/y.v, -1/(y.v*y.v))) }

// sqrt has a derivative of 0 at 0: that is where a chroma is 0 and nothing depends on its hue.
func (x slope) sqrt() slope {
	root := math.Sqrt(x.v)
	if root == 0 {
		return constant(0)
	}
	return x.chain(root, 0.5/root)
}

func (x slope) exp() slope { e := math.Exp(x.v); return x.chain(e, e) }

func (x slope) sin() slope {
	sin, cos := math.Sincos(x.v * math.Pi / 180)
	return x.chain(sin, cos*math.Pi/180)
}

func (x slope) cos() slope {
	sin, cos := math.Sincos(x.v * math.Pi / 180)
	return x.chain(cos, -sin*math.Pi/180)
}

func (x slope) pow7() slope {
	cube := x.v * x.v * x.v
	return x.chain(cube*cube*x.v, 7*cube*cube)
}

func (x slope) hypot(y slope) slope { return x.mul(x).plus(y.mul(y)).sqrt() }

// hue returns the angle of (a, b) in degrees, 0 to 360.
func hue(a, b slope) slope {
	square := a.v*a.v + b.v*b.v
	if square == 0 {
		return constant(0)
	}
	turn := a.times(b.v).minus(b.times(a.v)) // only its d is of use: b da - a db
	out := slope{v: hueAngle(a.v, b.v)}
	for i := range out.d {
		out.d[i] = -turn.d[i] / square * 180 / math.Pi
	}
	return out
}
