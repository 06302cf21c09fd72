package store

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/formula"
	"pourbook/internal/pour"
)

func searchBook(t *testing.T) *Store {
	t.Helper()
	s := openBook(t)
	toners := shelve(t, s, solvent, "White", "Blue")
	for _, f := range []formula.Formula{
		{Name: "Pistachio gate", Code: "K7-204/1", Years: "1968 to 1972", Tags: []string{"vans", "season"}},
		{Name: "Pistachio gate", Code: "K7-204/1", Alternate: "lighter"},
		{Name: "Slate", Code: "K7", Finish: formula.FinishMetallic},
		{Name: "K7 racing shade", Code: "Z1"},
		{Name: "Evening kite", Code: "Z2", Tags: []string{"k7"}},
		{Name: "Crème brûlée", Code: "B-12", Coat: formula.Mid},
		{Name: "Grønn Ærlig", Code: ""},
		{Name: "Straße", Code: "S1"},
		{Name: "Or NEAR and NOT", Code: "S2"},
	} {
		f.System = solvent
		if f.Coat == "" {
			f.Coat = formula.Base
		}
		if f.Finish == "" {
			f.Finish = formula.FinishSolid
		}
		_, _, err := s.CreateFormula(ctx, f, formula.Revision{Lines: lines(toners...)})
		require.NoError(t, err)
	}
	return s
}

func found(t *testing.T, s *Store, q Query) []string {
	t.Helper()
	page, err := s.Search(ctx, q)
	require.NoError(t, err)
	var titles []string
	for _, h := range page.Hits {
		titles = append(titles, h.Formula.Title())
	}
	assert.Equal(t, len(titles), page.Total)
	assert.False(t, page.More)
	return titles
}

func TestSearchRanks(t *testing.T) {
	s := searchBook(t)
	both := []string{"Pistachio gate", "Pistachio gate, lighter"}
	for _, c := range []struct {
		text string
		want []string
	}{
		// the very code, codes that begin so, names that begin so, the rest
		{"k7", []string{"Slate", "Pistachio gate", "Pistachio gate, lighter", "K7 racing shade", "Evening kite"}},
		{"K7-204/1", both},
		{"k7 204 1", both},
		{"k72041", both},
		{"k7204", both},
		{"204", both},
		{"pistach", both},
		{"gate", both},
		{"ga pis", both},
		{"gate light", []string{"Pistachio gate, lighter"}},
		{"1968", []string{"Pistachio gate"}},
		{"vans 72", nil},
		{"vans 1972", []string{"Pistachio gate"}},
		{"b12", []string{"Crème brûlée"}},
		{"creme BRU", []string{"Crème brûlée"}},
		{"CRÈME", []string{"Crème brûlée"}},
		{"gronn aer", []string{"Grønn Ærlig"}},
		{"STRASSE", []string{"Straße"}},
		{"not", []string{"Or NEAR and NOT"}},
		{"stachio", nil},
	} {
		assert.Equal(t, c.want, found(t, s, Query{Text: c.text}), c.text)
	}
	assert.Equal(t, []string{"Slate"}, found(t, s, Query{Text: "k7", Finish: formula.FinishMetallic}))
	assert.Equal(t, []string{"Crème brûlée"}, found(t, s, Query{Coat: formula.Mid}))
	assert.Empty(t, found(t, s, Query{Text: "k7", System: "Water base"}))
	assert.Len(t, found(t, s, Query{System: "solvent base"}), 9)
	assert.Equal(t, "Crème brûlée", found(t, s, Query{Text: " -/* "})[0], "no letters: everything by name")
}

func TestSearchRecent(t *testing.T) {
	s := searchBook(t)
	for i, id := range []int64{3, 5, 3, 1} {
		p := plan(2)
		p.FormulaID = id
		_, err := s.Plan(ctx, fmt.Sprint("b", i), pour.Command{ID: fmt.Sprint("e", i), Device: "tablet", At: noon.Add(time.Duration(i) * time.Hour), Body: p})
		require.NoError(t, err)
	}
	assert.Equal(t, []string{"Pistachio gate", "Slate", "Evening kite"}, found(t, s, Query{Recent: true})[:3])
}

func TestSearchPages(t *testing.T) {
	s := openBook(t)
	fillBook(t, s, 2500)
	for _, q := range []Query{{}, {Recent: true}, {Text: "s"}, {Text: "pist"}, {Text: "k7"}, {Text: "green"}, {Text: "19 slate"}, {Text: "g", Finish: formula.FinishPearl}} {
		whole := q
		whole.Limit = 5000
		page, err := s.Search(ctx, whole)
		require.NoError(t, err)
		require.False(t, page.More)
		require.Equal(t, len(page.Hits), page.Total)
		require.NotEmpty(t, page.Hits)
		seen := map[int64]bool{}
		for _, h := range page.Hits {
			assert.False(t, seen[h.Formula.ID], "%+v lists %d twice", q, h.Formula.ID)
			seen[h.Formula.ID] = true
		}
		var joined []Hit
		for q.Limit = 70; ; q.Offset += q.Limit {
			part, err := s.Search(ctx, q)
			require.NoError(t, err)
			joined = append(joined, part.Hits...)
			if part.AtLeast {
				assert.Equal(t, countMost, part.Total)
				assert.Greater(t, page.Total, countMost)
			} else {
				assert.Equal(t, page.Total, part.Total)
			}
			if !part.More {
				break
			}
		}
		assert.Equal(t, page.Hits, joined, "%+v", q)
	}
	beyond, err := s.Search(ctx, Query{Text: "s", Offset: 100_000})
	require.NoError(t, err)
	assert.Empty(t, beyond.Hits)
	assert.False(t, beyond.More)
}

func TestHostileSearch(t *testing.T) {
	s := searchBook(t)
	for _, text := range []string{
		`"`, `""`, `"k7`, `k7"*`, `'`, `' OR 1=1 --`, `k7*`, `*`, `(`, `)`, `NOT`, `k7 NOT gate`, `OR`, `AND AND`, `NEAR/3`, `name:k7`, `words:k7`, `-k7`, `^k7`,
		"\x00", "k7\x00gate", "\xff\xfe", "k7\xffgate", "\u0301", "e\u0301\u0301", "हि", "\u200d", "🙂", "%", "_", `\`, "½", "ﷺ", "İ", strings.Repeat("a ", 12), strings.Repeat("x", 200),
	} {
		_, err := s.Search(ctx, Query{Text: text})
		assert.NoError(t, err, "%q", text)
		_, err = s.CompleteToners(ctx, solvent, text, 5)
		assert.NoError(t, err, "%q", text)
	}
	for _, text := range []string{strings.Repeat("x", 1<<20), strings.Repeat("\x00", 1<<20), strings.Repeat("a ", 13), strings.Repeat("é", 201)} {
		_, err := s.Search(ctx, Query{Text: text})
		require.ErrorIs(t, err, ErrInvalid)
		assert.NotEmpty(t, Sentence(err))
	}
}

func TestAnySearchText(t *testing.T) {
	s := searchBook(t)
	rapid.Check(t, func(rt *rapid.T) {
		text := rapid.OneOf(rapid.StringN(0, 40, 200), rapid.StringMatching(`["'*() A-Za-z0-9:^-]{0,30}`)).Draw(rt, "text")
		_, err := s.Search(ctx, Query{Text: text})
		if err != nil && Sentence(err) == "" {
			rt.Fatalf("%q: %v", text, err)
		}
	})
}

// Whatever is in the name of a formula, its own name and code find it.
func TestEveryFormulaIsFoundByItsName(t *testing.T) {
	s := openBook(t)
	toners := shelve(t, s, solvent, "White")
	rapid.Check(t, func(rt *rapid.T) {
		f := entry(rapid.StringMatching(`[\pL\pN][\pL\pN\pM .,/'"*-]{0,20}`).Draw(rt, "name"), "")
		f, _, err := s.CreateFormula(ctx, f, formula.Revision{Lines: lines(toners...)})
		if err != nil {
			rt.Fatal(err)
		}
		page, err := s.Search(ctx, Query{Text: f.Name, Limit: 10_000})
		if err != nil {
			if Sentence(err) == "" {
				rt.Fatal(err)
			}
			return
		}
		for _, h := range page.Hits {
			if h.Formula.ID == f.ID {
				return
			}
		}
		rt.Fatalf("%q is not found by its name (%q)", f.Name, formula.Terms(f.Name))
	})
}

func TestReindex(t *testing.T) {
	s := searchBook(t)
	require.Equal(t, []string{"Evening kite"}, found(t, s, Query{Text: "kite"}))
	require.NoError(t, s.update(ctx, "spoil", func(t *tx) error { return t.exec(`UPDATE formula SET words = 'spoilt' WHERE name = 'Evening kite'`) }))
	require.Empty(t, found(t, s, Query{Text: "kite"}))
	require.Equal(t, []string{"Evening kite"}, found(t, s, Query{Text: "spoilt"}))
	changed, err := s.Reindex(ctx)
	require.NoError(t, err)
	assert.Equal(t, 1, changed)
	assert.Equal(t, []string{"Evening kite"}, found(t, s, Query{Text: "kite"}))
	assert.Empty(t, found(t, s, Query{Text: "spoilt"}))
}
