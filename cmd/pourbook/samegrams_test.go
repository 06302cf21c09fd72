package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/calc"
	"pourbook/internal/gram"
)

// TestScreenShowsWhatTheCalculatorSays compares the grams on the pour screen, toner by toner, with what the calculator
// "plan" answers for the same formula, amount and scale.
func TestScreenShowsWhatTheCalculatorSays(t *testing.T) {
	s := openShop(t, 6)
	revision, err := s.store.LatestRevision(t.Context(), 17)
	require.NoError(t, err)
	type component struct {
		Toner   string  `json:"toner"`
		Grams   float64 `json:"grams"`
		Density float64 `json:"density"`
	}
	var components []component
	for _, l := range revision.Lines {
		components = append(components, component{l.Toner.Name, l.Mass.Grams(), l.Toner.Density})
	}
	in, err := json.Marshal(map[string]any{
		"components": components, "amount": map[string]any{"value": 350, "unit": "ml"}, "division": s.scale.Balance().Division.Grams(),
	})
	require.NoError(t, err)
	var out bytes.Buffer
	require.NoError(t, calc.Run("plan", bytes.NewReader(in), &out))
	var answer struct {
		Steps []struct {
			Toner string  `json:"toner"`
			Grams float64 `json:"grams"`
		} `json:"steps"`
	}
	require.NoError(t, json.Unmarshal(out.Bytes(), &answer))
	require.Len(t, answer.Steps, len(components))

	b := browser(t)(tablet)
	b.base = s.url
	b.open("/mix/17?amount=350&unit=ml&of=colour")
	b.tap("Start pouring")
	b.sees("Put the empty cup on the scale")
	b.tap("Put an empty cup on")
	b.tap("The cup is on")
	id := strings.TrimPrefix(b.path(), "/batch/")
	for i, step := range answer.Steps {
		b.waitFor(fmt.Sprintf(`document.querySelector(".toner h1")?.innerText === %q`, step.Toner))
		want := gram.Of(step.Grams).Show(s.scale.Balance().Division)
		assert.Equal(t, want, b.eval(`document.querySelector(".cup-grams.now").textContent`), step.Toner)
		if i == 0 {
			b.waitFor(fmt.Sprintf(`document.querySelector("[data-live=left]").textContent === %q`, want))
			b.shoot("grams")
		}
		if i == len(answer.Steps)-1 {
			break
		}
		open, _ := s.state(t, id).Open()
		b.tap("Pour " + step.Toner)
		b.waitBooked(s, id, open.No)
	}
}
