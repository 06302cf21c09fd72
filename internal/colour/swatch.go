package colour

import (
	"fmt"
	"math"
	"strconv"

	"github.com/lucasb-eyer/go-colorful"
)

// The white of the sRGB matrices of go-colorful, x 0.3127, y 0.3290 as in IEC 61966-2-1. It differs from the
// D65 of ASTM E308 in the fourth figure; with it a grey Lab becomes a grey swatch and L 100 becomes #ffffff.
var srgbWhite = XYZ{0.3127 / 0.3290 * 100, 100, (1 - 0.3127 - 0.3290) / 0.3290 * 100}

// SRGB returns the sRGB colour (IEC 61966-2-1, D65) nearest to l, channel by channel, for drawing a swatch.
// inGamut is false where a channel had to be clipped to fit: such a swatch must be marked as an impression.
// A colour made under another white than D65, or with the 10 degree observer, is drawn by its own Lab values, so
// that white stays white. Colours that are not finite come back black and out of gamut.
func (l Lab) SRGB() (r, g, b uint8, inGamut bool) {
	if math.IsNaN(l.L+l.A+l.B) || math.IsInf(l.L+l.A+l.B, 0) {
		return 0, 0, 0, false
	}
	xyz := l.XYZ(srgbWhite)
	encoded := colorful.LinearRgb(colorful.XyzToLinearRgb(xyz.X/100, xyz.Y/100, xyz.Z/100))
	r, rIn := channel(encoded.R)
	g, gIn := channel(encoded.G)
	b, bIn := channel(encoded.B)
	return r, g, b, rIn && gIn && bIn
}

// channel rounds one encoded channel to 8 bits and says whether it was inside 0 to 255 once rounded.
func channel(v float64) (uint8, bool) {
	n := math.Round(v * 255)
	return uint8(max(0, min(255, n))), n >= 0 && n <= 255
}

// Hex returns the swatch as "#rrggbb", and false where SRGB had to clip.
func (l Lab) Hex() (string, bool) {
	r, g, b, inGamut := l.SRGB()
	return fmt.Sprintf("#%02x%02x%02x", r, g, b), inGamut
}

// ParseHex returns the Lab (D65) of a swatch "#rrggbb", capitals allowed. Anything else is an error.
func ParseHex(s string) (Lab, error) {
	if len(s) == 7 && s[0] == '#' {
		if n, err := strconv.ParseUint(s[1:], 16, 24); err == nil {
			c := colorful.Color{R: float64(n>>16) / 255, G: float64(n>>8&0xff) / 255, B: float64(n&0xff) / 255}
			x, y, z := colorful.LinearRgbToXyz(c.LinearRgb())
			return XYZ{x * 100, y * 100, z * 100}.Lab(srgbWhite), nil
		}
	}
	return Lab{}, fmt.Errorf("%q is not a swatch: write it as # and six digits 0 to 9 or a to f, such as #b5521d", s)
}
