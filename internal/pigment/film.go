package pigment

import (
	"errors"
	"math"
)

// Opaque returns the reflectance of a film so thick that nothing shows through, from its absorption and scattering:
// R∞ = 1 + K/S - √((K/S)² + 2K/S) (Kubelka and Munk 1931), in the form S/(K + S + √(K(K+2S))), which keeps its figures
// in dark colours and needs no division by S. K and S are 0 or above; where both are 0 there is no such film, and 0
// is returned: Predict refuses it.
func Opaque(k, s float64) float64 {
	if s == 0 {
		return 0
	}
	return s / (k + s + math.Sqrt(k*(k+2*s)))
}

// opaqueSlopes returns R∞ and its derivatives by K and by S.
func opaqueSlopes(k, s float64) (r, byK, byS float64) {
	r = Opaque(k, s)
	// Towards K = 0 the curve stands upright (-R/B with B to 0). It is cut where R is 1 to nine figures.
	b := math.Max(math.Sqrt(k*(k+2*s)), 1e-9*(k+s))
	if b == 0 {
		return 0, 0, 0
	}
	if s == 0 {
		return 0, 0, 1 / (2 * k)
	}
	return r, -r / b, r * k / (b * s)
}

// Film returns the reflectance of a film of the given thickness over a ground: the hyperbolic solution of Kubelka (1948),
//
//	R = (1 - Rg (a - b coth bSX)) / (a - Rg + b coth bSX),  a = 1 + K/S,  b = √(a² - 1),
//
// multiplied through by S tanh(bSX)/b, which leaves no division by 0: K = 0, S = 0 and a thickness of 0 are ordinary.
// All reflectances are within the paint. Thickness is in the unit that K and S are a unit of; +Inf gives Opaque.
func Film(k, s, thickness, ground float64) float64 {
	if math.IsInf(thickness, 1) {
		if k == 0 && s == 0 {
			return ground
		}
		return Opaque(k, s)
	}
	t, _, _ := hyperbolic(k, s, thickness)
	a := k + s
	return (s*t + ground*(1-a*t)) / (1 + (a-ground*s)*t)
}

// filmSlopes returns Film and its derivatives by K, by S and by thickness, for a finite thickness.
func filmSlopes(k, s, thickness, ground float64) (r, byK, byS, byX float64) {
	t, u, sech2 := hyperbolic(k, s, thickness)
	a := k + s
	n, d := s*t+ground*(1-a*t), 1+(a-ground*s)*t
	r = n / d
	tk, ts := u*a, u*k
	byK = (s*tk - ground*(t+a*tk) - r*(t+(a-ground*s)*tk)) / d
	byS = (t + s*ts - ground*(t+a*ts) - r*((1-ground)*t+(a-ground*s)*ts)) / d
	byX = (s - ground*a - r*(a-ground*s)) * sech2 / d
	return r, byK, byS, byX
}

// hyperbolic returns T = tanh(BX)/B with B = √(K(K+2S)), U = (X sech²(BX) - T)/B², with which the derivatives of T are
// dT/dK = U (K+S) and dT/dS = U K, and sech²(BX), which is dT/dX. Near B = 0 both quotients come from their series.
func hyperbolic(k, s, x float64) (t, u, sech2 float64) {
	b2 := k * (k + 2*s)
	b := math.Sqrt(b2)
	z := b * x
	if z < 0.02 {
		z2 := z * z
		t = x * (1 - z2*(1.0/3-z2*2/15))
		u = x * x * x * (-2.0/3 + z2*(8.0/15-z2*34/105))
		tanh := z * (1 - z2*(1.0/3-z2*2/15))
		return t, u, 1 - tanh*tanh
	}
	tanh := math.Tanh(z)
	cosh := math.Cosh(z)
	sech2 = 1 / (cosh * cosh) // 0 once cosh overflows, which is right
	t = tanh / b
	return t, (x*sech2 - t) / b2, sech2
}

// errAlike says that two readings over two grounds do not tell a film's K and S.
var errAlike = errors.New("the two grounds are alike, so they cannot tell how a film hides: use a black and a white one")

// Unfilm returns K·X and S·X of a film from its reflectance over two grounds, all within the paint: the inverse of
// Film for a known pair. It fails where the grounds are alike, or where no film can give these readings, which
// happens by noise when the film is all but opaque.
func Unfilm(over1, ground1, over2, ground2 float64) (kx, sx float64, err error) {
	if math.Abs(ground1-ground2) < 1e-3 {
		return 0, 0, errAlike
	}
	// Solving Film for b coth(bSX) gives (1 + R Rg - a (R + Rg))/(R - Rg) over either ground; equated they give a.
	d1, d2 := over1-ground1, over2-ground2
	p1, p2 := 1+over1*ground1, 1+over2*ground2
	q1, q2 := over1+ground1, over2+ground2
	a := (p1*d2 - p2*d1) / (q1*d2 - q2*d1)
	if a < 1 && a > 1-1e-9 { // a film that does not absorb, but for rounding
		a = 1
	}
	if !(a >= 1) || math.IsInf(a, 0) {
		return 0, 0, errors.New("no film gives these two readings: check which ground is which, and read again")
	}
	// The reading further from its ground carries the figure better.
	coth := (p1 - a*q1) / d1
	if math.Abs(d2) > math.Abs(d1) {
		coth = (p2 - a*q2) / d2
	}
	b := math.Sqrt(a*a - 1)
	switch {
	case !(coth > b):
		return 0, 0, errors.New("the film hides its ground so well that its thickness cannot be told: measure it as opaque")
	case b*1e6 < coth: // atanh(z)/b to 1/coth where the film hardly absorbs
		sx = 1 / coth
	default:
		sx = math.Atanh(b/coth) / b
	}
	return (a - 1) * sx, sx, nil
}
