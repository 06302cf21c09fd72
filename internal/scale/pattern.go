package scale

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
)

// Pattern describes the line of a scale that belongs to no family, in the owner's words. Line is a line as the
// scale sends it, with these in place of what changes:
//
//	{mass}   the number: sign, blanks, digits with a point or comma. Once, always
//	{unit}   the unit in letters
//	{state}  the word in Stable or in Moving
//	{any}    anything at all that does not matter
//
// A blank stands for one or more blanks, and blanks at the end of a line do not matter. A byte that cannot be typed
// is written as \xNN. Everything else has to be there letter for letter, and the pattern has to fit the whole line:
// a scale is never read by finding a number somewhere.
type Pattern struct {
	Line     string
	Stable   string // what stands at {state} while the load is at rest; may be empty
	Moving   string // and while it moves
	Decimals int    // of a number sent without a point: 3 where 12345 means 12.345
}

type ownFormat struct {
	re       *regexp.Regexp
	stable   string
	decimals int
	hasUnit  bool
	flagged  bool
}

var placeholder = regexp.MustCompile(`\{[^{}]*\}|\\x[0-9A-Fa-f]{2}| +`)

func (p Pattern) compile() (*ownFormat, error) {
	if len(p.Line) > longest*4 || len(p.Stable) > longest || len(p.Moving) > longest {
		return nil, fmt.Errorf("the line is longer than the %d characters that a scale's line may have: shorten it", longest)
	}
	if !plain(p.Stable) || !plain(p.Moving) {
		return nil, errors.New("the words for at rest and for moving may hold plain letters, digits and signs only: shorten them to those")
	}
	if p.Decimals < 0 || p.Decimals > -finest {
		return nil, fmt.Errorf("%d decimals are not possible: give 0 to %d", p.Decimals, -finest)
	}
	var expr strings.Builder
	seen := map[string]bool{}
	// Matched byte for byte: (?s) lets {any} have any of them.
	expr.WriteString(`(?s)^`)
	line := strings.TrimRight(p.Line, " ")
	at := 0
	literal := func(s string) error {
		if !plain(s) {
			return errors.New("the line holds a character that is not a plain letter, digit or sign: write it as \\xNN")
		}
		expr.WriteString(regexp.QuoteMeta(s))
		return nil
	}
	for _, span := range placeholder.FindAllStringIndex(line, -1) {
		if err := literal(line[at:span[0]]); err != nil {
			return nil, err
		}
		word := line[span[0]:span[1]]
		at = span[1]
		if word[0] == '{' && word != "{any}" {
			if seen[word] {
				return nil, fmt.Errorf("%s stands in the line twice: name it once, and put {any} for the other", word)
			}
			seen[word] = true
		}
		switch {
		case word == "{mass}":
			expr.WriteString(` *(?P<sign>[+-]?) *(?P<digits>[0-9][0-9.,]*)`)
		case word == "{unit}":
			expr.WriteString(` *(?P<unit>[A-Za-z%]{1,5})`)
		case word == "{state}":
			expr.WriteString(`(?P<state>` + regexp.QuoteMeta(p.Stable) + `|` + regexp.QuoteMeta(p.Moving) + `)`)
		case word == "{any}":
			expr.WriteString(`.*?`)
		case word[0] == '{':
			return nil, fmt.Errorf("%s is not known: use {mass}, {unit}, {state} and {any}", word)
		case word[0] == '\\':
			// The line is matched as text in which every byte is the character of the same number; see parse.
			expr.WriteString(`\x{` + word[2:] + `}`)
		default:
			expr.WriteString(` +`)
		}
	}
	if err := literal(line[at:]); err != nil {
		return nil, err
	}
	expr.WriteString(` *$`)
	switch {
	case !seen["{mass}"]:
		return nil, errors.New("the line does not say where the number is: put {mass} in its place")
	case seen["{state}"] && p.Stable == p.Moving:
		return nil, errors.New("the scale's words for at rest and for moving are the same: give two that differ, or take {state} out")
	}
	re, err := regexp.Compile(expr.String())
	if err != nil {
		return nil, fmt.Errorf("the line cannot be understood: %w", err)
	}
	return &ownFormat{re: re, stable: p.Stable, decimals: p.Decimals, hasUnit: seen["{unit}"], flagged: seen["{state}"]}, nil
}

func plain(s string) bool {
	for _, c := range []byte(s) {
		if c < ' ' || c >= 0x7f {
			return false
		}
	}
	return true
}

func (o *ownFormat) parse(line string) (frame, error) {
	if line == "" {
		return frame{}, ErrNotAReading
	}
	text := make([]rune, len(line))
	for i, c := range []byte(line) {
		text[i] = rune(c)
	}
	m := o.re.FindStringSubmatch(string(text))
	if m == nil {
		return frame{}, ErrMalformed
	}
	part := func(name string) string {
		if i := o.re.SubexpIndex(name); i >= 0 {
			return m[i]
		}
		return ""
	}
	f, err := number(part("sign"), part("digits"), part("unit"), o.flagged && part("state") == o.stable)
	if err != nil {
		return frame{}, err
	}
	if f.exponent == 0 {
		f.exponent = -o.decimals
	}
	return f, nil
}
