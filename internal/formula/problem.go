package formula

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Problem is one thing that is wrong with what was typed, pasted or imported.
// Its text is safe to show: it says what happened and what to do next.
type Problem struct {
	Line   int    // 1-based; 0: the whole
	Field  string // the word of the form or column: "toner", "amount", "basis" …
	Detail string // a sentence that goes on after "Line 7: "
}

// Error returns the whole sentence: "Line 7: the running total falls …".
func (p Problem) Error() string {
	if p.Line > 0 {
		return fmt.Sprintf("Line %d: %s", p.Line, p.Detail)
	}
	first, size := utf8.DecodeRuneInString(p.Detail)
	if size == 0 {
		return ""
	}
	return string(unicode.ToUpper(first)) + p.Detail[size:]
}

// Problems is everything that is wrong, in the order of the lines as far as it was found so.
type Problems []Problem

// Error returns one sentence a line.
func (ps Problems) Error() string {
	sentences := make([]string, len(ps))
	for i, p := range ps {
		sentences[i] = p.Error()
	}
	return strings.Join(sentences, "\n")
}

// Err returns ps as an error, nil where there is no problem.
func (ps Problems) Err() error {
	if len(ps) == 0 {
		return nil
	}
	return ps
}

// quoted returns what a person typed, shortened and on one line, for use in a sentence.
func quoted(s string) string {
	const most = 40
	s = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, s)
	if utf8.RuneCountInString(s) > most {
		s = string([]rune(s)[:most]) + "…"
	}
	return `"` + s + `"`
}
