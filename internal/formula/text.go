package formula

import (
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

const (
	maxText  = 500  // characters of a name, a code, years or tags
	maxProse = 5000 // characters of a hazard text or notes
)

// badText says what is wrong with a text that is to be kept, as the rest of a sentence that begins with
// the field's name; empty where it is sound. Any script is welcome; control characters, line breaks too, are not.
func badText(s string, most int) string {
	switch {
	case !utf8.ValidString(s):
		return "holds bytes that are no text. Type it again."
	case strings.ContainsRune(s, utf8.RuneError):
		return "holds a character that was lost on the way (�). Type it again."
	case utf8.RuneCountInString(s) > most:
		return "is longer than " + strconv.Itoa(most) + " characters. Shorten it."
	case strings.ContainsFunc(s, unicode.IsControl):
		return "holds a line break, a tab or another control character. Take it out."
	}
	return ""
}

// badProse is badText for texts of several lines, where line breaks and tabs are welcome.
func badProse(s string) string {
	plain := strings.NewReplacer("\r\n", " ", "\n", " ", "\t", " ").Replace(s)
	if strings.ContainsFunc(plain, unicode.IsControl) {
		return "holds a control character. Type it again."
	}
	return badText(plain, maxProse)
}

// plainDecimal writes v with at most so many decimals and no zeros after the last that counts.
func plainDecimal(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// unfitForCell says why a text would not come back from a cell as it is.
func unfitForCell(s string) string {
	if s != strings.TrimSpace(s) {
		return "begins or ends with a space. Take it out."
	}
	return badText(s, maxText)
}
