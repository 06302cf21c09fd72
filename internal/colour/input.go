package colour

import (
	"fmt"
	"math"
)

// InputError is one thing wrong with a colour, a spectrum or a grid. Error is one plain sentence that says what to do;
// Field and Index say where, so that a form or a file can point at it.
type InputError struct {
	Field string // "l", "a", "b" of a colour; "start", "step", "values" of a spectrum
	Index int    // of a value of a spectrum, counted from 0; -1 where the whole field is meant
	says  string
}

// Error returns the sentence.
func (e *InputError) Error() string { return e.says }

func wrong(field string, index int, format string, args ...any) *InputError {
	return &InputError{field, index, fmt.Sprintf(format, args...)}
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
