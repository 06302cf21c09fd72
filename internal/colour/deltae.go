package colour

import (
	"fmt"
	"math"
)

// Difference is a colour difference and what it is made of. L, C and H are the lightness, chroma and hue parts as
// the formula weighs them, sample minus standard: a positive L is lighter, a positive C more vivid, and a positive
// H is turned towards the larger hue angle (from red to yellow, yellow to green, green to blue, blue to red).
//
// E² = L² + C² + H², except in CIEDE2000, where a term in C·H (the rotation of the blue ellipses) is added.
type Difference struct{ E, L, C, H float64 }

// Parts returns the plain CIELAB differences ΔL*, ΔC*ab and ΔH*ab, sample minus standard, with the E of 1976.
// ΔH*ab = 2 √(C1 C2) sin(Δh/2), 0 where one of the two is a grey (CIE 15, section 8.2.1).
func Parts(standard, sample Lab) Difference {
	c1, c2 := standard.Chroma(), sample.Chroma()
	d := Difference{L: sample.L - standard.L, C: c2 - c1}
	// The angle between the two hues comes from their cross and dot product, so it never wraps round.
	cross := standard.A*sample.B - standard.B*sample.A
	dot := standard.A*sample.A + standard.B*sample.B
	d.H = 2 * math.Sqrt(c1*c2) * math.Sin(math.Atan2(cross, dot)/2)
	d.E = DeltaE76(standard, sample)
	return d
}

// DeltaE76 returns ΔE*ab (CIE 1976), the distance in CIELAB.
func DeltaE76(standard, sample Lab) float64 {
	dl, da, db := sample.L-standard.L, sample.A-standard.A, sample.B-standard.B
	return math.Sqrt(dl*dl + da*da + db*db)
}

// Material selects the constants of CIE94.
type Material int

// The two sets of constants that CIE 116 gives.
const (
	GraphicArts Material = iota // kL 1, K1 0.045, K2 0.015: paint and print
	Textiles                    // kL 2, K1 0.048, K2 0.014
)

// CIE94 returns ΔE94 (CIE 116-1995) with its parts. The weights come from the standard's chroma, so that
// swapping the two colours gives another number.
func CIE94(standard, sample Lab, material Material) Difference {
	kl, k1, k2 := 1.0, 0.045, 0.015
	if material == Textiles {
		kl, k1, k2 = 2, 0.048, 0.014
	}
	c1 := standard.Chroma()
	return weighed(Parts(standard, sample), kl, 1+k1*c1, 1+k2*c1)
}

// CMC returns ΔE CMC(l:c) (BS 6923, ISO 105-J03) with its parts; l:c is 2:1 for acceptability and 1:1 for
// perceptibility. The weights come from the standard, so that swapping the two colours gives another number.
// An l or c that is not a finite number above 0 is an error.
func CMC(standard, sample Lab, l, c float64) (Difference, error) {
	if !(l > 0) || !(c > 0) || math.IsInf(l, 0) || math.IsInf(c, 0) {
		return Difference{}, fmt.Errorf("CMC was asked with l:c of %s:%s: both must be numbers above 0, usually 2:1 or 1:1", trim(l), trim(c))
	}
	c1, h1 := standard.Chroma(), hueAngle(standard.A, standard.B)
	sl := 0.511
	if standard.L >= 16 {
		sl = 0.040975 * standard.L / (1 + 0.01765*standard.L)
	}
	sc := 0.0638*c1/(1+0.0131*c1) + 0.638
	t := 0.36 + math.Abs(0.4*cosDegrees(h1+35))
	if h1 >= 164 && h1 <= 345 {
		t = 0.56 + math.Abs(0.2*cosDegrees(h1+168))
	}
	c4 := c1 * c1 * c1 * c1
	f := math.Sqrt(c4 / (c4 + 1900))
	sh := sc * (f*t + 1 - f)
	return weighed(Parts(standard, sample), l*sl, c*sc, sh), nil
}

// weighed divides the plain parts by the weights of a formula without a rotation term.
func weighed(d Difference, wl, wc, wh float64) Difference {
	d.L /= wl
	d.C /= wc
	d.H /= wh
	d.E = math.Sqrt(d.L*d.L + d.C*d.C + d.H*d.H)
	return d
}

// DeltaE2000 returns ΔE00 (CIEDE2000, CIE 142-2001, ISO/CIE 11664-6) with kL = kC = kH = 1. It is symmetric and
// allocates nothing. Colours that are not finite numbers give NaN: check them with Valid where they come in.
//
// go-colorful is not used here: it works on L* from 0 to 1 and divides by 100, and it reaches the formula
// only through sRGB, which most of the published test pairs cannot pass.
func DeltaE2000(standard, sample Lab) float64 { return CIEDE2000(standard, sample).E }

// CIEDE2000 returns ΔE00 with its parts. The numbered steps are those of Sharma, Wu and Dalal, "The CIEDE2000
// color-difference formula: implementation notes, supplementary test data, and mathematical observations",
// Color Research and Application 30(1), 21-30 (2005), doi 10.1002/col.20070.
func CIEDE2000(standard, sample Lab) Difference {
	const pow25to7 = 25.0 * 25 * 25 * 25 * 25 * 25 * 25

	// Equations 2 to 7: a is stretched near the greys, chroma and hue follow from it.
	meanC7 := pow7((standard.Chroma() + sample.Chroma()) / 2)
	g := 0.5 * (1 - math.Sqrt(meanC7/(meanC7+pow25to7)))
	a1, a2 := (1+g)*standard.A, (1+g)*sample.A
	c1 := math.Sqrt(a1*a1 + standard.B*standard.B)
	c2 := math.Sqrt(a2*a2 + sample.B*sample.B)
	h1, h2 := hueAngle(a1, standard.B), hueAngle(a2, sample.B)

	// Equations 8 to 11, and 12 to 14 with the hues' mean taken on the shorter arc.
	dl, dc := sample.L-standard.L, c2-c1
	meanL, meanC := (standard.L+sample.L)/2, (c1+c2)/2
	var dh, meanH float64
	switch {
	case c1*c2 == 0:
		meanH = h1 + h2
	case math.Abs(h1-h2) <= 180:
		dh, meanH = h2-h1, (h1+h2)/2
	default:
		if dh = h2 - h1; dh > 180 {
			dh -= 360
		} else {
			dh += 360
		}
		if meanH = (h1 + h2) / 2; h1+h2 < 360 {
			meanH += 180
		} else {
			meanH -= 180
		}
	}
	dH := 2 * math.Sqrt(c1*c2) * math.Sin(dh/2*math.Pi/180)

	// Equations 15 to 21: the weights and the rotation.
	t := 1 - 0.17*cosDegrees(meanH-30) + 0.24*cosDegrees(2*meanH) + 0.32*cosDegrees(3*meanH+6) - 0.20*cosDegrees(4*meanH-63)
	l50 := (meanL - 50) * (meanL - 50)
	sl := 1 + 0.015*l50/math.Sqrt(20+l50)
	sc := 1 + 0.045*meanC
	sh := 1 + 0.015*meanC*t
	bell := (meanH - 275) / 25
	turn := 30 * math.Exp(-bell*bell)
	c7 := pow7(meanC)
	rt := -2 * math.Sqrt(c7/(c7+pow25to7)) * math.Sin(2*turn*math.Pi/180)

	// Equation 22.
	d := Difference{L: dl / sl, C: dc / sc, H: dH / sh}
	// The rotation makes a form that is positive on paper; a rounding below 0 must not become NaN.
	square := d.L*d.L + d.C*d.C + d.H*d.H + rt*d.C*d.H
	if square < 0 {
		square = 0
	}
	d.E = math.Sqrt(square)
	return d
}

func pow7(v float64) float64 {
	cube := v * v * v
	return cube * cube * v
}

func cosDegrees(d float64) float64 { return math.Cos(d * math.Pi / 180) }
