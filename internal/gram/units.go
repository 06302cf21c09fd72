package gram

import (
	"fmt"
	"math"
	"strings"
)

// Unit is a unit that an amount of paint is stated in, by its name in the calculators' JSON.
type Unit string

// The units of an amount. US and imperial measures of one name differ by a fifth, so neither is ever the default.
const (
	UnitGram      Unit = "g"
	UnitKilogram  Unit = "kg"
	UnitOunce     Unit = "oz"
	UnitPound     Unit = "lb"
	UnitMl        Unit = "ml"
	UnitLitre     Unit = "l"
	UnitUSFlOz    Unit = "us_floz"
	UnitUSPint    Unit = "us_pint"
	UnitUSQuart   Unit = "us_quart"
	UnitUSGallon  Unit = "us_gallon"
	UnitImpFlOz   Unit = "imp_floz"
	UnitImpPint   Unit = "imp_pint"
	UnitImpQuart  Unit = "imp_quart"
	UnitImpGallon Unit = "imp_gallon"
)

// Units lists every unit in the order in which a screen offers them.
var Units = []Unit{
	UnitGram, UnitKilogram, UnitMl, UnitLitre,
	UnitOunce, UnitPound,
	UnitUSFlOz, UnitUSPint, UnitUSQuart, UnitUSGallon,
	UnitImpFlOz, UnitImpPint, UnitImpQuart, UnitImpGallon,
}

// Exact definitions, NIST Handbook 44, Appendix C (general tables of units of measurement):
// the avoirdupois pound in grams, the US gallon (231 cubic inches of 25.4 mm) and the imperial gallon in millilitres.
// The smaller units are whole fractions of these, so every product below is exact in decimal.
const (
	poundGrams   = 453.59237
	usGallonMl   = 3785.411784
	impGallonMl  = 4546.09
	ouncesPerLb  = 16
	pintsPerGal  = 8
	quartsPerGal = 4
	usFlOzPerGal = 128
	impFlOzGal   = 160
)

// IsVolume reports whether u measures volume, so that a density is needed to weigh it.
func (u Unit) IsVolume() bool { return u.Millilitres() > 0 }

// Known reports whether u is one of Units.
func (u Unit) Known() bool { return u.Grams() > 0 || u.Millilitres() > 0 }

// Grams returns how many grams one u is; 0 for a unit of volume. Exact factors, NIST Handbook 44 App. C.
func (u Unit) Grams() float64 {
	switch u {
	case UnitGram:
		return 1
	case UnitKilogram:
		return 1000
	case UnitOunce:
		return poundGrams / ouncesPerLb
	case UnitPound:
		return poundGrams
	}
	return 0
}

// Millilitres returns how many millilitres one u is; 0 for a unit of mass. Exact factors, NIST Handbook 44 App. C.
func (u Unit) Millilitres() float64 {
	switch u {
	case UnitMl:
		return 1
	case UnitLitre:
		return 1000
	case UnitUSFlOz:
		return usGallonMl / usFlOzPerGal
	case UnitUSPint:
		return usGallonMl / pintsPerGal
	case UnitUSQuart:
		return usGallonMl / quartsPerGal
	case UnitUSGallon:
		return usGallonMl
	case UnitImpFlOz:
		return impGallonMl / impFlOzGal
	case UnitImpPint:
		return impGallonMl / pintsPerGal
	case UnitImpQuart:
		return impGallonMl / quartsPerGal
	case UnitImpGallon:
		return impGallonMl
	}
	return 0
}

// Label returns u as people write it: "US fl oz", "imp pt", "l".
func (u Unit) Label() string {
	system, measure, found := strings.Cut(string(u), "_")
	if !found {
		return string(u)
	}
	if system == "us" {
		system = "US"
	}
	switch measure {
	case "floz":
		measure = "fl oz"
	case "pint":
		measure = "pt"
	case "quart":
		measure = "qt"
	case "gallon":
		measure = "gal"
	}
	return system + " " + measure
}

// spellings are the human forms of a unit's own word, in lower case, blanks and full stops left out.
var spellings = map[string]string{
	"g": "g", "gr": "g", "gm": "g", "gram": "g", "grams": "g", "gramme": "g", "grammes": "g",
	"kg": "kg", "kilo": "kg", "kilos": "kg", "kilogram": "kg", "kilograms": "kg",
	"oz": "oz", "ounce": "oz", "ounces": "oz",
	"lb": "lb", "lbs": "lb", "pound": "lb", "pounds": "lb",
	"ml": "ml", "cc": "ml", "cm3": "ml", "millilitre": "ml", "millilitres": "ml", "milliliter": "ml", "milliliters": "ml",
	"l": "l", "lt": "l", "ltr": "l", "litre": "l", "litres": "l", "liter": "l", "liters": "l",
	"floz": "floz", "fluidounce": "floz", "fluidounces": "floz",
	"pt": "pint", "pint": "pint", "pints": "pint",
	"qt": "quart", "quart": "quart", "quarts": "quart",
	"gal": "gallon", "gallon": "gallon", "gallons": "gallon",
}

// ParseUnit reads a unit by its calculator name ("us_quart") or as people write it ("US qt", "imp. pint", "litre").
// A pint, quart, gallon or fluid ounce that does not say whether it is US or imperial is refused:
// the two differ by up to 20 %.
func ParseUnit(s string) (Unit, error) {
	word := strings.NewReplacer(" ", "", ".", "", "_", "", "-", "", "\u00a0", "").Replace(strings.ToLower(strings.TrimSpace(s)))
	system := ""
	for _, p := range [...]struct{ prefix, system string }{
		{"imperial", "imp"}, {"imp", "imp"}, {"uk", "imp"}, {"us", "us"},
	} {
		if rest, ok := strings.CutPrefix(word, p.prefix); ok {
			system, word = p.system, rest
			break
		}
	}
	measure, known := spellings[word]
	if !known {
		return "", fmt.Errorf("gram: %q is not a unit of weight or volume; use g, kg, oz, lb, ml, l, or a US or imperial fl oz, pint, quart or gallon", s)
	}
	split := measure == "floz" || measure == "pint" || measure == "quart" || measure == "gallon"
	switch {
	case split && system == "":
		return "", fmt.Errorf("gram: %q may be US or imperial; write it as US %s or imp %s", s, word, word)
	case split:
		return Unit(system + "_" + measure), nil
	case system != "" && measure != "oz" && measure != "lb":
		return "", fmt.Errorf("gram: %q is not a unit; leave out the country for %s", s, measure)
	}
	return Unit(measure), nil
}

// Amount is how much paint is wanted: a number and its unit.
type Amount struct {
	Value float64
	Unit  Unit
}

// String returns the amount as people write it: "500 ml".
func (a Amount) String() string { return fmt.Sprintf("%g %s", a.Value, a.Unit.Label()) }

// Mass returns what the amount weighs, nearest milligram.
// An amount by volume needs the density of the mix in g/ml, above 0; for one by weight density is not looked at.
// Zero, negative and endless amounts, and any that weigh under a milligram or over MaxMass, are errors.
func (a Amount) Mass(density float64) (Mass, error) {
	if err := a.check(); err != nil {
		return 0, err
	}
	grams := a.Value * a.Unit.Grams()
	if a.Unit.IsVolume() {
		if err := checkDensity(density); err != nil {
			return 0, fmt.Errorf("gram: %s cannot be weighed: %w", a, err)
		}
		grams = a.Value * a.Unit.Millilitres() * density
	}
	if grams > MaxMass.Grams() {
		return 0, fmt.Errorf("gram: %s is more than a tonne; ask for less", a)
	}
	m := Of(grams)
	if m == 0 {
		return 0, fmt.Errorf("gram: %s is less than a milligram; ask for more", a)
	}
	return m, nil
}

// Millilitres returns the volume of the amount. An amount by weight needs the density of the mix in g/ml, above 0.
func (a Amount) Millilitres(density float64) (float64, error) {
	if err := a.check(); err != nil {
		return 0, err
	}
	if a.Unit.IsVolume() {
		return a.Value * a.Unit.Millilitres(), nil
	}
	if err := checkDensity(density); err != nil {
		return 0, fmt.Errorf("gram: the volume of %s is not known: %w", a, err)
	}
	return a.Value * a.Unit.Grams() / density, nil
}

func (a Amount) check() error {
	switch {
	case !a.Unit.Known():
		return fmt.Errorf("gram: %q is not a unit of weight or volume", string(a.Unit))
	case math.IsNaN(a.Value) || math.IsInf(a.Value, 0):
		return fmt.Errorf("gram: the amount is not a number; enter how much paint is wanted")
	case a.Value <= 0:
		return fmt.Errorf("gram: the amount must be above 0, not %g", a.Value)
	}
	return nil
}

// checkDensity returns a plain sentence when density (g/ml) is not a density.
func checkDensity(density float64) error {
	switch {
	case density == 0:
		return fmt.Errorf("the density is missing; enter it in g/ml")
	case !(density > 0) || math.IsInf(density, 0):
		return fmt.Errorf("%v g/ml is not a density; enter a number above 0", density)
	}
	return nil
}
