package formula

import (
	"strings"
	"unicode"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// Fold returns s as the search index keeps it: lower case, accents removed, words apart by one space.
// A word that holds punctuation is followed by a copy without it, so that "K7-204/1" becomes
// "k7 204 1 k72041" and is found by "k7204" as by "204". Folding twice changes nothing.
func Fold(s string) string {
	var words []string
	for field := range strings.FieldsSeq(plainLetters(s)) {
		pieces := strings.FieldsFunc(field, isPunctuation)
		words = append(words, pieces...)
		if len(pieces) > 1 {
			// Once more: a mark now stands on another letter.
			words = append(words, plainLetters(strings.Join(pieces, "")))
		}
	}
	return strings.Join(words, " ")
}

// FoldCode returns a code in one piece, spaces and punctuation gone: "K7 204/1" becomes "k72041".
func FoldCode(s string) string {
	return plainLetters(strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) || isPunctuation(r) {
			return -1
		}
		return r
	}, plainLetters(s)))
}

// Terms returns the words of a query, each in one piece. Every term is to be found as the beginning
// of a word of Fold or FoldCode of the text.
func Terms(query string) []string {
	var terms []string
	for field := range strings.FieldsSeq(query) {
		for word := range strings.FieldsSeq(plainLetters(field)) {
			if term := FoldCode(word); term != "" {
				terms = append(terms, term)
			}
		}
	}
	return terms
}

// unmarked are the scripts whose readers leave out accents and points when they search.
// Elsewhere a mark is a letter of its own (vowel signs of Devanagari, voicing of kana) and stays.
var unmarked = []*unicode.RangeTable{unicode.Latin, unicode.Greek, unicode.Cyrillic, unicode.Arabic, unicode.Hebrew}

// strokes are letters that Unicode does not split into a letter and a mark.
var strokes = strings.NewReplacer(
	"ø", "o", "đ", "d", "ð", "d", "ł", "l", "ħ", "h", "ŧ", "t", "ı", "i", "æ", "ae", "œ", "oe", "þ", "th")

func plainLetters(s string) string {
	if isASCII(s) {
		return strings.ToLower(s)
	}
	// Folding can bring forth new marks (İ) and decomposing new capitals (ℌ): so both, twice.
	s = unmark(cases.Fold().String(norm.NFKD.String(s)))
	s = unmark(cases.Fold().String(norm.NFKD.String(s)))
	return norm.NFC.String(strokes.Replace(s))
}

func unmark(s string) string {
	drop := true // a mark that stands on no letter goes too
	return strings.Map(func(r rune) rune {
		if unicode.Is(unicode.Mn, r) {
			if drop {
				return -1
			}
			return r
		}
		drop = !unicode.IsLetter(r) && !unicode.IsMark(r) || unicode.In(r, unmarked...)
		return r
	}, s)
}

func isPunctuation(r rune) bool {
	return !unicode.IsLetter(r) && !unicode.IsNumber(r) && !unicode.IsMark(r) && !unicode.IsSpace(r)
}

func isASCII(s string) bool {
	for i := range len(s) {
		if s[i] >= 0x80 {
			return false
		}
	}
	return true
}

// nameKey returns what two spellings of one name have in common: case, outer and doubled spaces,
// and the ways in which Unicode writes one letter do not count; accents do.
func nameKey(s string) string {
	if isASCII(s) {
		if s != strings.TrimSpace(s) || strings.Contains(s, "  ") || strings.ContainsAny(s, "\t\r\n\v\f") {
			s = strings.Join(strings.Fields(s), " ")
		}
		return strings.ToLower(s)
	}
	folded := norm.NFC.String(cases.Fold().String(norm.NFC.String(s)))
	return strings.Join(strings.Fields(folded), " ")
}

// sameName says whether two spellings are one name.
func sameName(a, b string) bool { return a == b || nameKey(a) == nameKey(b) }

func sameSystem(a, b System) bool { return sameName(string(a), string(b)) }
