package calc

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// run runs a calculator and returns its answer as generic JSON.
func run(t *testing.T, name, in string) map[string]any {
	t.Helper()
	var out bytes.Buffer
	require.NoError(t, Run(name, strings.NewReader(in), &out))
	var got map[string]any
	require.NoError(t, json.Unmarshal(out.Bytes(), &got))
	return got
}

// problem runs a calculator that must refuse its input, with nothing written.
func problem(t *testing.T, name, in string) *Problem {
	t.Helper()
	var out bytes.Buffer
	err := Run(name, strings.NewReader(in), &out)
	var p *Problem
	require.True(t, errors.As(err, &p), "%v for %s", err, in)
	assert.Empty(t, out.String())
	return p
}

func names(p *Problem, field, says string) bool {
	for _, e := range p.Errors {
		if e.Field == field && strings.Contains(e.Detail, says) {
			return true
		}
	}
	return false
}

func TestRunRefuses(t *testing.T) {
	assert.ErrorContains(t, Run("nothing", strings.NewReader("{}"), &bytes.Buffer{}), "no calculator \"nothing\"")
	assert.Contains(t, Names(), "plan")
	assert.True(t, Known("reduce"))
	assert.False(t, Known("nothing"))
	assert.Contains(t, problem(t, "plan", strings.Repeat(" ", MaxInput+1)).Title, "too large")
	broken := errors.New("broken pipe")
	assert.ErrorIs(t, Run("reduce", strings.NewReader(byVolume), failing{broken}), broken)
	assert.ErrorIs(t, Run("reduce", failing{broken}, &bytes.Buffer{}), broken)
}

type failing struct{ err error }

func (f failing) Read([]byte) (int, error)  { return 0, f.err }
func (f failing) Write([]byte) (int, error) { return 0, f.err }

// The shape of RFC 9457 with the errors member that the calculators add.
func TestProblemAsJSON(t *testing.T) {
	p := problem(t, "plan", strings.Replace(plain500, `"grams": 250`, `"grams": -1`, 1))
	raw, err := json.Marshal(p)
	require.NoError(t, err)
	assert.JSONEq(t, `{"title": "The input cannot be used", "detail": "One field is not right; put it right and send it again.",
		"errors": [{"field": "components[1].grams", "detail": "must be above 0"}]}`, string(raw))
	assert.Contains(t, p.Error(), "components[1].grams must be above 0")
}

func TestDecodeIsStrict(t *testing.T) {
	for _, c := range []struct{ in, field, says string }{
		{`{"components": [], "shade": 1}`, "shade", "not a field"},
		{`{"components": [{"toner": "a", "grams": 1, "gramms": 2}]}`, "components[0].gramms", "not a field"},
		{`{"Components": []}`, "Components", "not a field"},
		{`{"components": {"a": [1, {}]}}`, "components", "must be a list"},
		{`{"components": [7]}`, "components[0]", "must be an object"},
		{`{"components": [{"toner": 7, "grams": "1"}]}`, "components[0].grams", "must be a number"},
		{`{"components": [{"toner": 7, "grams": "1"}]}`, "components[0].toner", "must be text"},
		{`{"components": [{"toner": "a", "grams": null}]}`, "components[0].grams", "is missing"},
		{`{"division": 1, "division": 2}`, "division", "given twice"},
		{`{"division": 1e999}`, "division", "too large"},
		{`{}`, "amount", "is missing"},
		{`[]`, "", "must be an object"},
		{`{"division": NaN}`, "division", "NaN"},
		{`{"components": [{"grams": -Infinity}]}`, "components[0].grams", "NaN and Infinity"},
	} {
		p := problem(t, "plan", c.in)
		assert.True(t, names(p, c.field, c.says), "%s: %v", c.in, p)
		assert.LessOrEqual(t, len(p.Errors), maxFieldErrors)
	}
	for in, says := range map[string]string{
		"":                 "ends too early",
		`{"division": `:    "ends too early",
		plain500 + "{}":    "follows the object",
		plain500 + "x":     "follows the object",
		"{\"a\xff\": 1}":   "UTF-8",
		`{"division": 01}`: "cannot be read",
	} {
		assert.Contains(t, problem(t, "plan", in).Detail, says, in)
	}
	deep := `{"x": ` + strings.Repeat("[", 200_000) + strings.Repeat("]", 200_000) + "}"
	problem(t, "plan", deep)
}

// seeds gives a fuzz target whole valid inputs to start from.
func seeds(f *testing.F, more ...string) {
	for _, s := range more {
		f.Add([]byte(s))
	}
}

// sound fails where a calculator does anything with an input but answer in JSON or name a problem.
func sound(t *testing.T, name string, raw []byte) (answer []byte) {
	t.Helper()
	var out bytes.Buffer
	if err := Run(name, bytes.NewReader(raw), &out); err != nil {
		var p *Problem
		if !errors.As(err, &p) || p.Title == "" || p.Detail == "" || p.Errors == nil || out.Len() > 0 {
			t.Fatalf("%v after %q", err, out.String())
		}
		return nil
	}
	if !json.Valid(out.Bytes()) {
		t.Fatalf("not JSON: %q", out.String())
	}
	return out.Bytes()
}
