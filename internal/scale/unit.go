package scale

import (
	"math/big"
	"strings"

	"pourbook/internal/gram"
)

// A unit is what a number on a display counts. nano is one of it in nanograms, exactly; 0 where there is no mass
// that everybody means by it.
type unit struct {
	name   string
	nano   int64
	metric bool // a scale that shows it may be poured by
}

// The units that a scale may show. By definition 1 lb = 453.592 37 g exactly, an ounce is a sixteenth of it, a
// grain a seven-thousandth, a troy ounce 480 grains, a pennyweight 24 grains, a carat 0.2 g (the pound from the
// international yard and pound agreement of 1959; all from memory).
var (
	unitMilligram   = unit{name: "mg", nano: 1_000_000, metric: true}
	unitGram        = unit{name: "g", nano: 1_000_000_000, metric: true}
	unitKilogram    = unit{name: "kg", nano: 1_000_000_000_000, metric: true}
	unitCarat       = unit{name: "ct", nano: 200_000_000}
	unitGrain       = unit{name: "gr", nano: 64_798_910}
	unitPennyweight = unit{name: "dwt", nano: 1_555_173_840}
	unitTroyOunce   = unit{name: "ozt", nano: 31_103_476_800}
	unitOunce       = unit{name: "oz", nano: 28_349_523_125}
	unitPound       = unit{name: "lb", nano: 453_592_370_000}
)

// unitNamed returns the unit that a device sends under a name, in capitals or not. Any other name is a unit without
// a mass: pieces, per cent, or one that differs from region to region.
func unitNamed(name string) unit {
	switch n := strings.ToLower(name); n {
	case "mg":
		return unitMilligram
	case "g":
		return unitGram
	case "kg":
		return unitKilogram
	case "ct":
		return unitCarat
	case "gr", "gn":
		return unitGrain
	case "dwt":
		return unitPennyweight
	case "ozt":
		return unitTroyOunce
	case "oz":
		return unitOunce
	case "lb":
		return unitPound
	default:
		return unit{name: n}
	}
}

// finest is how far below one unit a number may count: nobody's scale goes further, so the rest is noise.
const finest = -9

// mass returns count × 10^exponent of u, rounded once to the milligram, halves to even.
// It reports false for a unit without a mass and for what no bench scale can mean.
func (u unit) mass(count int64, exponent int) (gram.Mass, bool) {
	if u.nano == 0 || exponent < finest || exponent > -finest {
		return 0, false
	}
	top := new(big.Int).Mul(big.NewInt(count), big.NewInt(u.nano))
	bottom := big.NewInt(1_000_000) // nanograms in a milligram
	power := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(max(exponent, -exponent))), nil)
	if exponent < 0 {
		bottom.Mul(bottom, power)
	} else {
		top.Mul(top, power)
	}
	whole, rest := new(big.Int).QuoRem(top, bottom, new(big.Int)) // towards zero
	switch rest.Abs(rest).Lsh(rest, 1).Cmp(bottom) {
	case 1:
		whole.Add(whole, big.NewInt(int64(top.Sign())))
	case 0:
		if whole.Bit(0) == 1 {
			whole.Add(whole, big.NewInt(int64(top.Sign())))
		}
	}
	if !whole.IsInt64() || whole.Int64() > int64(gram.MaxMass) || whole.Int64() < -int64(gram.MaxMass) {
		return 0, false
	}
	return gram.Mass(whole.Int64()), true
}

// decimal takes a number as displays write it apart: digits with at most one point or comma among them.
// It reports false for anything else, and for more digits than a display has.
func decimal(s string) (count int64, exponent int, ok bool) {
	const most = 12
	digits, point := 0, false
	for _, c := range []byte(s) {
		switch {
		case c >= '0' && c <= '9':
			count = count*10 + int64(c-'0')
			digits++
			if point {
				exponent--
			}
		case (c == '.' || c == ',') && !point && digits > 0:
			point = true
		default:
			return 0, 0, false
		}
	}
	if digits == 0 || digits > most || (point && exponent == 0) {
		return 0, 0, false
	}
	return count, exponent, true
}
