package calc

import (
	"errors"
	"fmt"
	"strings"
)

// Problem says what is wrong with an input, in the shape of RFC 9457 (problem details for HTTP APIs), and is an error.
// Every sentence is plain and safe to show.
type Problem struct {
	Title  string       `json:"title"`
	Detail string       `json:"detail"`
	Errors []FieldError `json:"errors"`
}

// FieldError names a field of the input by its path, such as components[2].grams, and says what to do about it.
type FieldError struct {
	Field  string `json:"field"`
	Detail string `json:"detail"`
}

// Error returns the problem in one line, for logs.
func (p *Problem) Error() string {
	var b strings.Builder
	b.WriteString(p.Title)
	if p.Detail != "" {
		b.WriteString(": " + p.Detail)
	}
	for _, e := range p.Errors {
		fmt.Fprintf(&b, "; %s %s", e.Field, e.Detail)
	}
	return b.String()
}

// maxFieldErrors is how many fields one problem names; a broken file would otherwise be answered line by line.
const maxFieldErrors = 20

// fields gathers what is wrong with an input, field by field.
type fields []FieldError

func (f *fields) add(field, format string, args ...any) {
	if len(*f) < maxFieldErrors {
		*f = append(*f, FieldError{field, fmt.Sprintf(format, args...)})
	}
}

// problem returns what was gathered as an error, nil where nothing was.
func (f fields) problem() error {
	if len(f) == 0 {
		return nil
	}
	detail := "One field is not right; put it right and send it again."
	if len(f) > 1 {
		detail = fmt.Sprintf("%d fields are not right; put them right and send it again.", len(f))
	}
	return &Problem{Title: "The input cannot be used", Detail: detail, Errors: f}
}

// fieldProblem is a problem with one field, worded by the package that found it.
func fieldProblem(field string, err error) error {
	var f fields
	f.add(field, "%s", plain(err))
	return f.problem()
}

// plain drops the name of the package that an error begins with: people read the rest.
func plain(err error) string {
	s := err.Error()
	if name, rest, found := strings.Cut(s, ": "); found && !strings.ContainsAny(name, " ") {
		return rest
	}
	return s
}

// asProblem makes any error a Problem, so that callers need to know only one kind.
func asProblem(err error) *Problem {
	var p *Problem
	if errors.As(err, &p) {
		if p.Errors == nil {
			p.Errors = []FieldError{}
		}
		return p
	}
	return &Problem{Title: "The input cannot be used", Detail: plain(err), Errors: []FieldError{}}
}
