package calc

import (
	"encoding/json"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// Whatever comes in, a correction adds no negative paint, its totals agree, and what is recommended stands on the list.
func FuzzCorrect(f *testing.F) {
	seeds(f,
		`{`+threeToners+`"poured": [{"toner": "black", "grams": 27}]}`,
		`{`+threeToners+`"poured": [{"toner": "white", "grams": 350}, {"toner": "blue", "grams": 130}], "last": "blue", "cup": {"millilitres": 400, "scale_grams": 2000}}`,
		`{`+threeToners+`"poured": [{"toner": "white", "grams": 350}, {"toner": "green", "grams": 3}], "stirred": true, "limit": 0.5}`,
	)
	f.Fuzz(func(t *testing.T, raw []byte) {
		answer := sound(t, "correct", raw)
		if answer == nil {
			return
		}
		var out correctOut
		require.NoError(t, json.Unmarshal(answer, &out))
		listed := false
		for _, c := range out.Choices {
			listed = listed || c.Choice == out.Recommended
			require.GreaterOrEqual(t, c.DiscardedGrams, 0.0, c.Choice)
			require.False(t, math.IsNaN(c.WorstPercent) || math.IsInf(c.WorstPercent, 0), c.Choice)
			for _, a := range c.Add {
				require.GreaterOrEqual(t, a.Grams, 0.0, c.Choice)
			}
		}
		require.True(t, listed, "the recommended choice is on the list")
	})
}
