package formula_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/formula"
)

func TestCheckFormula(t *testing.T) {
	sound := formula.Formula{
		Name: "Pistachio gate", Code: "K7-204/1", Tags: []string{"gate", "green"}, System: solvent, Coat: formula.Base,
		Finish: formula.FinishSolid, Swatch: "#c8d8a8", Notes: "Two coats.\r\n\tThen clear.",
	}
	require.NoError(t, formula.CheckFormula(sound))
	for _, c := range []struct {
		spoil func(*formula.Formula)
		says  string
	}{
		{func(f *formula.Formula) { f.Name = "" }, "There is no name. Enter one."},
		{func(f *formula.Formula) { f.Code = "K7 " }, "Code begins or ends with a space."},
		{func(f *formula.Formula) { f.System = "" }, "There is no paint system."},
		{func(f *formula.Formula) { f.Coat = "" }, "Coat is empty. Write sealer,"},
		{func(f *formula.Formula) { f.Finish = "shiny" }, `"shiny" is no finish.`},
		{func(f *formula.Formula) { f.Tags = []string{"a", ""} }, "A tag is empty"},
		{func(f *formula.Formula) { f.Swatch = "green" }, `"green" is no swatch.`},
		{func(f *formula.Formula) { f.Notes = "\x00" }, "The text of the notes holds a control character."},
		{func(f *formula.Formula) { f.Years = strings.Repeat("墨", 501) }, "Years is longer than 500 characters."},
	} {
		f := sound
		c.spoil(&f)
		assert.Contains(t, sentences(formula.CheckFormula(f)), c.says)
	}
}
