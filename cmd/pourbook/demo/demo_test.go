package demo

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/pour"
	"pourbook/internal/store"
)

// readShelf reads the demo's toners as an import does, onto an empty shelf.
func readShelf(t *testing.T) map[string]formula.Toner {
	t.Helper()
	data, err := files.ReadFile("toners.csv")
	require.NoError(t, err)
	preview, err := formula.ReadTonersCSV(bytes.NewReader(data), func(formula.System, string) (formula.Toner, bool) { return formula.Toner{}, false })
	require.NoError(t, err)
	require.Empty(t, preview.Problems)
	shelf := map[string]formula.Toner{}
	for _, d := range preview.Toners {
		assert.NotContains(t, shelf, d.Toner.Name, "no two toners of one name, whatever their system")
		shelf[d.Toner.Name] = d.Toner
	}
	return shelf
}

func readDrafts(t *testing.T, shelf map[string]formula.Toner) []formula.Draft {
	t.Helper()
	data, err := files.ReadFile("formulas.csv")
	require.NoError(t, err)
	preview, err := formula.ReadCSV(bytes.NewReader(data), formula.Book{Toner: func(_ formula.System, name string) (formula.Toner, bool) {
		toner, ok := shelf[name]
		return toner, ok
	}})
	require.NoError(t, err)
	require.Empty(t, preview.Problems)
	return preview.Formulas
}

// Densities: common practice, no source; the ranges are those that a shop would call sane.
func TestTonersAreSane(t *testing.T) {
	shelf := readShelf(t)
	assert.GreaterOrEqual(t, len(shelf), 30)
	systems, kinds := map[formula.System]bool{}, map[formula.Kind]int{}
	superseded, unstocked, wet := 0, 0, 0
	for name, toner := range shelf {
		systems[toner.System] = true
		kinds[toner.Kind]++
		low, high := 0.95, 1.3
		switch {
		case toner.Kind == formula.Binder:
			low, high = 0.95, 1.0
		case toner.Kind == formula.Flake:
			low, high = 1.0, 1.1
		case toner.Kind == formula.Pearl:
			low, high = 1.05, 1.15
		case toner.Kind == formula.Hardener:
			low, high = 1.0, 1.1
		case toner.Kind == formula.Reducer && toner.System == "Water base":
			low, high = 0.97, 1.0
		case toner.Kind == formula.Reducer:
			low, high = 0.82, 0.88
		case toner.Strength == formula.Weak:
			low, high = 1.35, 1.5 // white
		}
		assert.GreaterOrEqual(t, toner.Density, low, name)
		assert.LessOrEqual(t, toner.Density, high, name)
		assert.Positive(t, toner.PerLitre, name)
		assert.True(t, strings.HasPrefix(toner.SheetURL, "Sheet folder, tab "), name)
		assert.Contains(t, toner.Hazard, "data sheet", name)
		if toner.Kind == formula.Hardener {
			assert.Contains(t, toner.Hazard, "isocyanate", name)
		}
		_, err := colour.ParseHex(toner.Swatch)
		require.NoError(t, err, name)
		if toner.Replaced != nil {
			superseded++
		}
		if !toner.Stocked {
			unstocked++
		}
		if toner.WetFirst {
			wet++
		}
	}
	assert.GreaterOrEqual(t, len(systems), 2)
	for _, k := range formula.Kinds {
		assert.Positive(t, kinds[k], "%s", k)
	}
	assert.Positive(t, superseded)
	assert.Positive(t, unstocked)
	assert.Positive(t, wet)
}

func TestFormulasAreRealistic(t *testing.T) {
	drafts := readDrafts(t, readShelf(t))
	assert.GreaterOrEqual(t, len(drafts), 48)
	finishes, bases, coats, alternates := map[formula.Finish]int{}, map[formula.Basis]int{}, map[string]map[formula.Coat]bool{}, 0
	for _, d := range drafts {
		f, name := d.Formula, d.Formula.Title()+" "+string(d.Formula.Coat)
		require.NoError(t, formula.Check(d.Lines), name)
		assert.GreaterOrEqual(t, len(d.Lines), 5, name)
		assert.LessOrEqual(t, len(d.Lines), 10, name)
		most, least := 0.0, 1.0
		for i, part := range formula.Fractions(d.Lines) {
			assert.Equal(t, f.System, d.Lines[i].Toner.System, name)
			most, least = max(most, part), min(least, part)
		}
		assert.True(t, most >= 0.40 && most <= 0.75, "%s: the lead is %.3f", name, most)
		assert.True(t, least >= 0.001 && least <= 0.02, "%s: the smallest is %.4f", name, least)
		swatch, err := swatchOf(d.Lines)
		require.NoError(t, err, name)
		_, err = colour.ParseHex(swatch)
		require.NoError(t, err, name)
		finishes[f.Finish]++
		bases[d.Basis]++
		if coats[f.Code] == nil {
			coats[f.Code] = map[formula.Coat]bool{}
		}
		coats[f.Code][f.Coat] = true
		if f.Alternate != "" {
			alternates++
		}
	}
	for _, f := range formula.Finishes {
		assert.GreaterOrEqual(t, finishes[f], 6, "%s", f)
	}
	for _, b := range formula.Bases {
		assert.Positive(t, bases[b], "%s", b)
	}
	assert.GreaterOrEqual(t, alternates, 10)
	two, three := 0, 0
	for _, c := range coats {
		if len(c) == 2 {
			two++
		}
		if len(c) >= 3 {
			three++
		}
	}
	assert.Positive(t, two)
	assert.Positive(t, three)
}

// opened is when the demo of these tests was opened: on a Wednesday afternoon.
var opened = time.Date(2026, 4, 15, 15, 20, 0, 0, time.FixedZone("", 2*3600))

// load returns a real book with the demo in it.
func load(t *testing.T, seed int64, now time.Time) *store.Store {
	t.Helper()
	book, err := store.Open(filepath.Join(t.TempDir(), "demo.pourbook"), store.WithClock(func() time.Time { return now }))
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, book.Close()) })
	require.NoError(t, Load(context.Background(), book, seed, now))
	return book
}

func TestLoad(t *testing.T) {
	ctx := context.Background()
	book := load(t, 1, opened)
	batches, err := book.Batches(ctx, store.BatchFilter{Limit: 100})
	require.NoError(t, err)
	for _, b := range batches {
		events, err := book.Events(ctx, b.ID)
		require.NoError(t, err)
		s, err := pour.Fold(events)
		require.NoError(t, err)
		t.Log(b.ID, b.Title, b.Need, b.Outcome, len(events), s.Total)
	}
}
