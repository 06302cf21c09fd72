package colour

import (
	"fmt"
	"math"
)

// Lab is a CIELAB colour, L from 0 to 100. The illuminant and observer are named where the value is made or kept.
type Lab struct{ L, A, B float64 }

// The limits that Valid holds. A perfect diffuser has L* 100; gloss, a white tile that is a little off and
// flake near the mirror angle go above it. No surface colour comes near 200 in a* or b*.
const (
	maxL      = 100.5
	maxChroma = 200
)

// Valid returns nil for a colour that a surface can have: three finite numbers, L from 0 to 100 (100.5, as an
// instrument may read a hair above its white), a and b from -200 to 200. The error is an *InputError.
//
// It is the check for colours that are typed or imported. A reading of flake at 15 degrees may well be
// brighter than white and is checked by Reading.Valid.
func (l Lab) Valid() error { return l.within(maxL) }

func (l Lab) within(top float64) error {
	for _, part := range [...]struct {
		name, field string
		value       float64
		low, high   float64
		saidLimits  string
	}{
		{"L", "l", l.L, 0, top, "0 to " + trim(math.Floor(top))},
		{"a", "a", l.A, -maxChroma, maxChroma, "-200 to 200"},
		{"b", "b", l.B, -maxChroma, maxChroma, "-200 to 200"},
	} {
		if !finite(part.value) {
			return wrong(part.field, -1, "%s of the colour is not a number: give it from %s", part.name, part.saidLimits)
		}
		if part.value < part.low || part.value > part.high {
			return wrong(part.field, -1, "%s of the colour is %s: it must be from %s", part.name, trim(part.value), part.saidLimits)
		}
	}
	return nil
}

// trim writes a number for a sentence: at most six figures, no trailing zeros.
func trim(v float64) string { return fmt.Sprintf("%.6g", v) }

// Chroma returns C*ab.
func (l Lab) Chroma() float64 { return math.Sqrt(l.A*l.A + l.B*l.B) }

// LCh is a CIELAB colour in cylinder form: lightness, chroma, and hue angle in degrees from 0 up to 360.
type LCh struct{ L, C, H float64 }

// LCh returns the cylinder form. A grey, having no hue, gets hue 0.
func (l Lab) LCh() LCh { return LCh{l.L, l.Chroma(), hueAngle(l.A, l.B)} }

// Lab returns the rectangular form.
func (c LCh) Lab() Lab {
	sin, cos := math.Sincos(c.H * math.Pi / 180)
	return Lab{c.L, c.C * cos, c.C * sin}
}

// hueAngle returns the angle of (a, b) in degrees, 0 <= h < 360, and 0 for the origin.
func hueAngle(a, b float64) float64 {
	if a == 0 && b == 0 {
		return 0
	}
	h := math.Atan2(b, a) * 180 / math.Pi
	if h < 0 {
		h += 360
		if h >= 360 { // a b of -1e-300 is an angle of 360 after rounding
			h = 0
		}
	}
	return h
}
