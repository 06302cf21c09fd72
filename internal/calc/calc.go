// Package calc answers the bench's questions as JSON: one object in, one object out, for a spreadsheet, a check by
// hand or a test.
//
// It promises strict input (an unknown field, a field given twice, a missing one, a number out of range and anything
// after the object are problems that name the field, never guesses) and no arithmetic of its own: every figure comes
// from the functions that the screens call. Input is limited to MaxInput bytes and lists to maxComponents entries.
//
// Start at Run. Each calculator has a file of its own and a line in calculators.
package calc

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
)

// MaxInput is the largest input in bytes: 1 MiB.
const MaxInput = 1 << 20

// maxComponents is the most components or parts that one list may hold.
const maxComponents = 1000

// calculators holds every calculator by its name.
var calculators = map[string]func([]byte) (any, error){
	"blend":      blend,
	"calibrate":  calibrate,
	"colour":     colour,
	"difference": difference,
	"match":      match,
	"plan":       plan,
	"reduce":     reduce,
	"tint":       tint,
}

// Names returns the calculators' names in alphabetical order.
func Names() []string { return slices.Sorted(maps.Keys(calculators)) }

// Known reports whether there is a calculator of that name.
func Known(name string) bool { return calculators[name] != nil }

// Run reads one JSON object from in, hands it to the calculator of that name and writes its answer, one JSON object and
// a line break, to out. What is wrong with the name or the input comes back as a *Problem and nothing is written;
// any other error is the reader's or the writer's own.
func Run(name string, in io.Reader, out io.Writer) error {
	calculate := calculators[name]
	if calculate == nil {
		return &Problem{
			Title:  "There is no such calculator",
			Detail: fmt.Sprintf("There is no calculator %q; use one of %s.", name, strings.Join(Names(), ", ")),
			Errors: []FieldError{},
		}
	}
	raw, err := io.ReadAll(io.LimitReader(in, MaxInput+1))
	if err != nil {
		return fmt.Errorf("calc: read the input of %s: %w", name, err)
	}
	if len(raw) > MaxInput {
		return &Problem{Title: "The input is too large", Detail: "The input is larger than 1 MiB; send less at a time.", Errors: []FieldError{}}
	}
	answer, err := calculate(raw)
	if err != nil {
		return asProblem(err)
	}
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(answer); err != nil {
		return fmt.Errorf("calc: write the answer of %s: %w", name, err)
	}
	_, err = out.Write(buf.Bytes())
	return err
}
