package colour

import "fmt"

// Illuminant names a CIE illuminant.
type Illuminant string

// The illuminants that are known here.
const (
	A     Illuminant = "A"      // incandescent lamp
	D50   Illuminant = "D50"    // warm daylight, the light of print viewing
	D65   Illuminant = "D65"    // average daylight, the light in which paint is judged
	F2    Illuminant = "F2"     // plain cool white fluorescent tube
	F11   Illuminant = "F11"    // three-band fluorescent tube, as in shops
	LEDB3 Illuminant = "LED-B3" // phosphor-converted blue LED, about 4100 K
)

// Illuminants returns every illuminant in the order in which a form shows them.
func Illuminants() []Illuminant { return []Illuminant{D65, A, F11, F2, D50, LEDB3} }

// ParseIlluminant returns the illuminant of that name, written exactly as above.
func ParseIlluminant(name string) (Illuminant, error) {
	if _, err := Illuminant(name).light(); err != nil {
		return "", err
	}
	return Illuminant(name), nil
}

// Observer is a CIE standard observer, named by the degrees of its field.
type Observer string

// The two standard observers.
const (
	TwoDegrees Observer = "2"  // CIE 1931
	TenDegrees Observer = "10" // CIE 1964, usual for paint
)

// ParseObserver returns the observer "2" or "10".
func ParseObserver(degrees string) (Observer, error) {
	if _, err := Observer(degrees).matching(); err != nil {
		return "", err
	}
	return Observer(degrees), nil
}

// light is what the package knows of an illuminant.
type light struct {
	power [fifths]float64
	// Published white points, ASTM E308 values as printed in two public programs: python-colormath's
	// color_constants.py (2 degrees) and spandsp's t42.c (both). The standard itself was not opened.
	// No published point was found for LED-B3: left at 0, the sum of its own table is used.
	white2, white10 XYZ
}

func (i Illuminant) light() (light, error) {
	switch i {
	case A:
		return light{powerA, XYZ{109.850, 100, 35.585}, XYZ{111.144, 100, 35.200}}, nil
	case D50:
		return light{powerD50, XYZ{96.422, 100, 82.521}, XYZ{96.720, 100, 81.427}}, nil
	case D65:
		return light{powerD65, XYZ{95.047, 100, 108.883}, XYZ{94.811, 100, 107.304}}, nil
	case F2:
		return light{powerF2, XYZ{99.186, 100, 67.393}, XYZ{103.279, 100, 69.027}}, nil
	case F11:
		return light{powerF11, XYZ{100.962, 100, 64.350}, XYZ{103.863, 100, 65.607}}, nil
	case LEDB3:
		return light{power: powerLEDB3}, nil
	}
	return light{}, fmt.Errorf("%q is not an illuminant known here: choose A, D50, D65, F2, F11 or LED-B3", string(i))
}

func (o Observer) matching() (*[wavelengths][3]float64, error) {
	switch o {
	case TwoDegrees:
		return &observer2, nil
	case TenDegrees:
		return &observer10, nil
	}
	return nil, fmt.Errorf("%q is not a standard observer: choose 2 or 10 degrees", string(o))
}

// White returns the white point of an illuminant for an observer, Y = 100: the published one where there is one
// (all but LED-B3), else the 5 nm sum of illuminant and observer.
func White(illuminant Illuminant, observer Observer) (XYZ, error) {
	l, err := illuminant.light()
	if err != nil {
		return XYZ{}, err
	}
	matching, err := observer.matching()
	if err != nil {
		return XYZ{}, err
	}
	return l.whiteFor(observer, matching), nil
}

func (l light) whiteFor(observer Observer, matching *[wavelengths][3]float64) XYZ {
	white := l.white2
	if observer == TenDegrees {
		white = l.white10
	}
	if white.Y > 0 {
		return white
	}
	sum := [3]float64{}
	for k, power := range l.power {
		for c := range sum {
			sum[c] += power * matching[5*k][c]
		}
	}
	return XYZ{sum[0] / sum[1] * 100, 100, sum[2] / sum[1] * 100}
}
