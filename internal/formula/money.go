package formula

import (
	"fmt"
	"math"
	"strconv"
)

// maxMoney is the most that a price can be: ten million.
const maxMoney Money = 10_000_000 * 100

// ParseMoney reads a price as a person types it: a number as in ParseNumber, 0 or more, with two decimals at most.
// The error is a Problem that can be shown.
func ParseMoney(s string) (Money, error) { return parseMoney(s, markUnknown) }

func parseMoney(s string, mark decimalMark) (Money, error) {
	n, err := parseNumber(s, mark)
	switch {
	case err != nil:
		return 0, err
	case n.value < 0:
		return 0, refuseAmount("%s is below 0. A price is 0 or more: check the sign.", quoted(s))
	case n.value > float64(maxMoney)/100:
		return 0, refuseAmount("%s is more than a price can be. Check the number.", quoted(s))
	}
	cents := math.Round(n.value * 100)
	if math.Abs(n.value*100-cents) > 1e-4 {
		return 0, refuseAmount("%s has more than two decimals. Write it like 12.50.", quoted(s))
	}
	return Money(cents), nil
}

// String returns m with its two decimals and without a currency: "12.50".
func (m Money) String() string {
	sign := ""
	if m < 0 {
		sign = "-"
	}
	size := uint64(m)
	if m < 0 {
		size = -size
	}
	return sign + strconv.FormatUint(size/100, 10) + fmt.Sprintf(".%02d", size%100)
}
