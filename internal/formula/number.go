package formula

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"

	"pourbook/internal/gram"
)

// How numbers are read, everywhere in the app:
//
//   - The decimal mark is a point or a comma: 12.5 and 12,5 are the same.
//   - Thousands may be set off by a space, an apostrophe, or by the one of point and comma that is not
//     the decimal mark, always in groups of three: 1 234.5, 1'234.5, 1,234.5 and 1.234,5.
//   - A mark that stands twice sets off thousands: 1,234,567.
//   - One point is always a decimal point: 1.234 is a little more than one.
//   - One comma before exactly three digits (1,234) can mean either, so it is refused. 0,234 and
//     1234,567 can only be decimals and are read.
//   - In a list or a file the other amounts decide: beside 12,5 a 1,234 is a little more than one and
//     a 1.234 is refused; beside 12.5 a 1,234 is more than a thousand.
//   - Digits of every script count. Exponents, fractions and signs for "not a number" are refused.

// decimalMark is what is known about the decimal mark of a list of amounts.
type decimalMark rune

const (
	markUnknown decimalMark = 0
	markPoint   decimalMark = '.'
	markComma   decimalMark = ','
)

// String returns the mark in a word, as a preview shows it.
func (m decimalMark) String() string {
	switch m {
	case markPoint:
		return "point"
	case markComma:
		return "comma"
	}
	return ""
}

// longestNumber is the most characters that a number may have; it keeps sentences about it short.
const longestNumber = 40

// ParseNumber reads a number as a person types it, by the rules at the top of this file.
// The error is a Problem that can be shown.
func ParseNumber(s string) (float64, error) {
	n, err := parseNumber(s, markUnknown)
	return n.value, err
}

// ParseMass reads a weight of 0 g or more: a number as in ParseNumber, then g (or nothing), mg, kg, oz or lb.
// It is rounded to the milligram. A weight below 0, above gram.MaxMass, or above 0 and yet less than half
// a milligram is refused. The error is a Problem that can be shown.
//
// The avoirdupois pound is 0.45359237 kg exactly and the ounce a sixteenth of it (NIST SP 811, appendix B).
func ParseMass(s string) (gram.Mass, error) {
	m, _, err := parseMass(s, markUnknown)
	return m, err
}

// number is a value and the number of decimals with which it was written.
type number struct {
	value    float64
	decimals int
}

func refuseAmount(format string, args ...any) error {
	return Problem{Field: "amount", Detail: fmt.Sprintf(format, args...)}
}

func parseNumber(s string, mark decimalMark) (number, error) {
	text, err := plainNumber(s)
	if err != nil {
		return number{}, err
	}
	sign := ""
	switch text[0] {
	case '-':
		sign, text = "-", text[1:]
	case '+':
		text = text[1:]
	}
	notNumber := refuseAmount("%s is not a number. Write it like 12.5.", quoted(strings.TrimSpace(s)))
	whole, decimals := text, ""
	separators := strings.Map(func(r rune) rune {
		if r == '.' || r == ',' {
			return r
		}
		return -1
	}, text)
	switch last := strings.LastIndexAny(text, ".,"); {
	case separators == "":
	case len(separators) == 1:
		before, after := text[:last], text[last+1:]
		if couldBeThousands(before, after) {
			point := text[last] == '.'
			// The other amounts of the list say whether this mark is theirs.
			switch {
			case point && mark == markComma, !point && mark == markUnknown:
				decimal := "."
				if point {
					decimal = "," // as in the rest of the list
				}
				return number{}, refuseAmount("%s can mean %s%s%s or %s%s. Write %s%s%s or %s%s.",
					quoted(strings.TrimSpace(s)), before, decimal, after, before, after, before, decimal, after, before, after)
			case !point && mark == markPoint:
				whole = before + after
			default:
				whole, decimals = before, after
			}
		} else {
			whole, decimals = before, after
		}
	case strings.Count(separators, separators[:1]) == len(separators):
		// One kind, several times: thousands.
		joined, ok := joinGroups(text, rune(separators[0]))
		if !ok {
			return number{}, notNumber
		}
		whole = joined
	default:
		// Both kinds: the last is the decimal mark and stands once, the other sets off thousands.
		decimal := separators[len(separators)-1:]
		other := separators[:1]
		if other == decimal || strings.Count(separators, decimal) != 1 {
			return number{}, notNumber
		}
		joined, ok := joinGroups(text[:last], rune(other[0]))
		if !ok {
			return number{}, notNumber
		}
		whole, decimals = joined, text[last+1:]
	}
	for _, grouping := range []rune{' ', '\''} {
		if strings.ContainsRune(whole, grouping) {
			joined, ok := joinGroups(whole, grouping)
			if !ok {
				return number{}, notNumber
			}
			whole = joined
		}
	}
	if whole == "" && decimals == "" || !allDigits(whole) || !allDigits(decimals) {
		return number{}, notNumber
	}
	value, err := strconv.ParseFloat(sign+"0"+whole+"."+decimals+"0", 64)
	if err != nil {
		return number{}, notNumber
	}
	if value == 0 {
		value = 0 // -0 is 0
	}
	return number{value, len(decimals)}, nil
}

// plainNumber returns s with plain digits, plain spaces and plain signs, or an error where it holds anything else.
func plainNumber(s string) (string, error) {
	trimmed := strings.TrimSpace(s)
	switch {
	case trimmed == "":
		return "", refuseAmount("there is no number. Enter one, like 12.5.")
	case len([]rune(trimmed)) > longestNumber:
		return "", refuseAmount("%s is too long for a number. Write it like 12.5.", quoted(trimmed))
	}
	var b strings.Builder
	for _, r := range trimmed {
		switch {
		case unicode.Is(unicode.Nd, r):
			b.WriteByte('0' + digitValue(r))
		case r == '.' || r == ',' || r == '+' || r == '-':
			b.WriteRune(r)
		case r == '−': // the minus sign proper
			b.WriteByte('-')
		case r == '٫' || r == '．': // Arabic decimal separator, full-width full stop
			b.WriteByte('.')
		case r == '，': // full-width comma
			b.WriteByte(',')
		case r == '\'' || r == '’' || r == '٬': // apostrophes, Arabic thousands separator
			b.WriteByte('\'')
		case r == ' ' || r == '\u00a0' || r == '\u202f' || r == '\u2009':
			b.WriteByte(' ')
		default:
			return "", refuseAmount("%s is not a number. Write it like 12.5.", quoted(trimmed))
		}
	}
	return b.String(), nil
}

// digitValue returns 0 to 9 for a decimal digit of any script. Unicode keeps every set of ten
// together and in order (The Unicode Standard, section 4.6, Numeric Value).
func digitValue(r rune) byte {
	for _, set := range unicode.Nd.R16 {
		if r >= rune(set.Lo) && r <= rune(set.Hi) {
			return byte((r - rune(set.Lo)) % 10)
		}
	}
	for _, set := range unicode.Nd.R32 {
		if r >= rune(set.Lo) && r <= rune(set.Hi) {
			return byte((r - rune(set.Lo)) % 10)
		}
	}
	return 0
}

// couldBeThousands says whether one mark between these digits can set off thousands.
func couldBeThousands(before, after string) bool {
	return len(after) == 3 && allDigits(after) &&
		len(before) >= 1 && len(before) <= 3 && allDigits(before) && before[0] != '0'
}

// joinGroups takes out a separator for thousands; the first group has one to three digits, every other three.
func joinGroups(s string, separator rune) (string, bool) {
	groups := strings.Split(s, string(separator))
	for i, g := range groups {
		if !allDigits(g) || g == "" || i == 0 && len(g) > 3 || i > 0 && len(g) != 3 {
			return "", false
		}
	}
	return strings.Join(groups, ""), true
}

func allDigits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return true
}

// markOf returns the decimal mark that a list of amounts uses, where those amounts that can be read
// in one way only agree on it.
func markOf(amounts []string) decimalMark {
	found := markUnknown
	for _, a := range amounts {
		m := markOfOne(a)
		switch {
		case m == markUnknown:
		case found == markUnknown:
			found = m
		case found != m:
			return markUnknown
		}
	}
	return found
}

func markOfOne(amount string) decimalMark {
	amount, _ = splitUnit(amount)
	text, err := plainNumber(amount)
	if err != nil {
		return markUnknown
	}
	points, commas := strings.Count(text, "."), strings.Count(text, ",")
	last := strings.LastIndexAny(text, ".,")
	switch {
	case last < 0:
		return markUnknown
	case points > 0 && commas > 0:
		return decimalMark(text[last])
	case points > 1:
		return markComma
	case commas > 1:
		return markPoint
	case couldBeThousands(strings.TrimLeft(text[:last], "+-"), text[last+1:]):
		return markUnknown
	}
	return decimalMark(text[last])
}

// units of mass in milligrams.
var units = map[string]float64{
	"": 1000, "g": 1000, "gr": 1000, "gram": 1000, "grams": 1000,
	"mg": 1, "kg": 1e6, "oz": 28349.523125, "lb": 453592.37, "lbs": 453592.37,
}

// splitUnit parts "12.5 g" into "12.5" and "g". The unit is what letters, % and stops stand at the end.
func splitUnit(s string) (amount, unit string) {
	s = strings.TrimSpace(s)
	amount = strings.TrimRightFunc(s, func(r rune) bool { return unicode.IsLetter(r) || r == '%' })
	return strings.TrimSpace(amount), s[len(amount):]
}

// parseMass returns the mass and half of the last decimal with which it was written.
func parseMass(s string, mark decimalMark) (m, half gram.Mass, err error) {
	amount, unit := splitUnit(s)
	factor, known := units[strings.ToLower(unit)]
	if amount == "" || !known && !strings.ContainsFunc(amount, unicode.IsDigit) {
		if strings.TrimSpace(s) == "" {
			return 0, 0, refuseAmount("there is no weight. Enter it in grams, like 12.5.")
		}
		return 0, 0, refuseAmount("%s is not a weight. Write it in grams, like 12.5.", quoted(strings.TrimSpace(s)))
	}
	n, err := parseNumber(amount, mark)
	if err != nil {
		return 0, 0, err
	}
	if !known {
		return 0, 0, refuseAmount("%s is not a unit of weight that is known here. Use g, kg, mg, oz or lb.", quoted(unit))
	}
	grams := n.value * factor / 1000
	switch {
	case grams < 0:
		return 0, 0, refuseAmount("%s is below 0. A weight is 0 or more: check the sign.", quoted(strings.TrimSpace(s)))
	case grams > gram.MaxMass.Grams():
		return 0, 0, refuseAmount("%s", tooHeavy(grams))
	}
	m, err = gram.FromGrams(grams)
	if err != nil {
		return 0, 0, refuseAmount("%s is not a weight. Write it in grams, like 12.5.", quoted(strings.TrimSpace(s)))
	}
	if m == 0 && grams > 0 {
		return 0, 0, refuseAmount("%s is less than a milligram. Check the weight and its unit.", quoted(strings.TrimSpace(s)))
	}
	half = gram.Mass(math.Ceil(factor / 2 * math.Pow10(-n.decimals)))
	return m, half, nil
}

// problemAt returns an error of this package as a problem of a line.
func problemAt(line int, err error) Problem {
	var p Problem
	if errors.As(err, &p) {
		p.Line = line
		return p
	}
	return Problem{line, "", err.Error()}
}
