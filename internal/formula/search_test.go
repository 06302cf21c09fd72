package formula_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/formula"
)

func TestFold(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{"K7-204/1", "k7 204 1 k72041"},
		{"  Pistachio   Gate ", "pistachio gate"},
		{"Émeraude brûlée", "emeraude brulee"},
		{"STRASSE Straße", "strasse strasse"},
		{"Røde Øl, Łódź", "rode ol lodz"},
		{"İstanbul ısı", "istanbul isi"},
		{"Ёлка", "елка"},
		{"ΆΛΦΑ ς", "αλφα σ"},
		{"Ｋ７", "k7"},
		{"がく", "がく"},         // voicing is a letter of its own
		{"हिन्दी", "हिन्दी"}, // vowel signs stay
		{"한글", "한글"},
		{"blue-green", "blue green bluegreen"},
		{"-- //", ""},
		{"", ""},
	} {
		assert.Equal(t, c.want, formula.Fold(c.in), c.in)
	}
	assert.Equal(t, "k72041", formula.FoldCode("K7 204/1"))
	assert.Equal(t, []string{"k7204", "gate"}, formula.Terms(" K7-204  Gâte -"))
	assert.Empty(t, formula.Terms(" - "))
}

// found says whether every term begins a word, which is how the search asks for them.
func found(query, text string) bool {
	words := strings.Fields(formula.Fold(text))
	for _, term := range formula.Terms(query) {
		hit := false
		for _, w := range words {
			hit = hit || strings.HasPrefix(w, term)
		}
		if !hit {
			return false
		}
	}
	return true
}

func TestCodesAreFound(t *testing.T) {
	for _, query := range []string{"k7204", "K7-204", "K7-204/1", "k7", "204", "k7 204", "k72041", "harbour K7"} {
		assert.True(t, found(query, "Harbour K7-204/1"), query)
	}
	assert.False(t, found("k8", "Harbour K7-204/1"))
}

func TestFoldTwiceChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Draw(t, "text")
		once := formula.Fold(s)
		require.Equal(t, once, formula.Fold(once))
		require.True(t, found(s, s), "a text finds itself")
	})
}
