package formula_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

func TestCompare(t *testing.T) {
	a := formula.Revision{Lines: lines(white, 700.0, blue, 250.0, oxide, 50.0)}
	b := formula.Revision{Lines: lines(black, 25.0, white, 350.0, blue, 125.0)}
	ds := formula.Compare(a, b)
	require.Len(t, ds, 4)
	assert.Equal(t, []string{"Black", "White", "Blue", "Red oxide"}, []string{ds[0].Toner.Name, ds[1].Toner.Name, ds[2].Toner.Name, ds[3].Toner.Name})
	assert.Equal(t, []formula.Change{formula.Added, formula.Same, formula.Same, formula.Removed},
		[]formula.Change{ds[0].Change, ds[1].Change, ds[2].Change, ds[3].Change})
	assert.Equal(t, formula.Difference{
		Toner: oxide, Change: formula.Removed, Before: 50_000, BeforePercent: 5, Points: -5, Relative: -1,
	}, ds[3])
	assert.InDelta(t, 5, ds[0].Points, 1e-9)
	assert.Zero(t, ds[0].Relative)

	// A tenth more blue in a thousand grams: 275 of 1025.
	ds = formula.Compare(a, formula.Revision{Lines: lines(white, 700.0, blue, 275.0, oxide, 50.0)})
	assert.Equal(t, formula.More, ds[1].Change)
	assert.InDelta(t, 100*(275.0/1025-0.25), ds[1].Points, 1e-9)
	assert.InDelta(t, 275.0/1025/0.25-1, ds[1].Relative, 1e-9)
	assert.Equal(t, formula.Less, ds[0].Change)

	sum := 0.0
	for _, d := range ds {
		sum += d.Points
	}
	assert.InDelta(t, 0, sum, 1e-9, "shares sum to 100 on both sides")
	assert.Empty(t, formula.Compare(formula.Revision{}, formula.Revision{}))
	assert.Len(t, formula.Compare(formula.Revision{}, a), 3)
}

func TestCompareTakesRoundingForTheSame(t *testing.T) {
	// A third of 1000 g and of 100 g cannot both be whole milligrams.
	a := formula.Revision{Lines: lines(white, 333.333, blue, 666.667)}
	b := formula.Revision{Lines: lines(white, 33.333, blue, 66.667)}
	for _, d := range formula.Compare(a, b) {
		assert.Equal(t, formula.Same, d.Change)
	}
	b.Lines[0].Mass += 5 * gram.Milligram
	assert.Equal(t, formula.More, formula.Compare(a, b)[0].Change)
}

// What is gained by some is lost by others; looked at from the other side gains are losses.
func TestCompareBothWays(t *testing.T) {
	toners := []formula.Toner{white, blue, black, oxide, moor, ink, emerald}
	draw := func(t *rapid.T, label string) formula.Revision {
		var r formula.Revision
		for _, toner := range toners {
			if m := rapid.Int64Range(-500_000, 1_000_000).Draw(t, label); m > 0 {
				r.Lines = append(r.Lines, formula.Line{Toner: toner, Mass: gram.Mass(m)})
			}
		}
		if len(r.Lines) == 0 {
			r.Lines = lines(white, 1.0)
		}
		return r
	}
	rapid.Check(t, func(t *rapid.T) {
		a, b := draw(t, "a"), draw(t, "b")
		back := map[string]formula.Difference{}
		for _, d := range formula.Compare(b, a) {
			back[d.Toner.Name] = d
		}
		sum := 0.0
		there := formula.Compare(a, b)
		require.Len(t, back, len(there))
		for _, d := range there {
			sum += d.Points
			require.InDelta(t, -d.Points, back[d.Toner.Name].Points, 1e-9)
			require.Equal(t, d.Before, back[d.Toner.Name].After)
			opposite := map[formula.Change]formula.Change{
				formula.Added: formula.Removed, formula.Removed: formula.Added,
				formula.More: formula.Less, formula.Less: formula.More, formula.Same: formula.Same,
			}
			require.Equal(t, opposite[d.Change], back[d.Toner.Name].Change)
		}
		require.InDelta(t, 0, sum, 1e-9)
	})
}

func member(id, parent int64) formula.Formula {
	f := formula.Formula{ID: id, Name: "F", Code: "K7-204", System: solvent, Coat: formula.Base}
	if parent != 0 {
		f.Parent = &formula.Origin{FormulaID: parent}
	}
	return f
}

func TestFamily(t *testing.T) {
	all := []formula.Formula{member(3, 2), member(1, 0), member(2, 1), member(4, 1), member(5, 99)}
	nodes, err := formula.Family(all)
	require.NoError(t, err)
	want := []formula.Node{
		{Formula: all[1], Children: []formula.Node{
			{Formula: all[2], Children: []formula.Node{{Formula: all[0]}}},
			{Formula: all[3]},
		}},
		{Formula: all[4]}, // its origin is not among them
	}
	assert.Equal(t, want, nodes)

	lineage, err := formula.Lineage(all, 3)
	require.NoError(t, err)
	assert.Equal(t, []formula.Formula{all[1], all[2], all[0]}, lineage)
	lineage, err = formula.Lineage(all, 5)
	require.NoError(t, err)
	assert.Equal(t, []formula.Formula{all[4]}, lineage)
	_, err = formula.Lineage(all, 77)
	require.ErrorContains(t, err, "no formula number 77")

	nodes, err = formula.Family(nil)
	require.NoError(t, err)
	assert.Empty(t, nodes)
}

func TestFamilyRefusesCircles(t *testing.T) {
	for _, all := range [][]formula.Formula{
		{member(1, 1)},
		{member(1, 2), member(2, 1)},
		{member(9, 0), member(1, 2), member(2, 3), member(3, 2)},
	} {
		_, err := formula.Family(all)
		require.ErrorContains(t, err, "descends from itself")
		_, err = formula.Lineage(all, 1)
		require.ErrorContains(t, err, "descends from itself")
	}
	_, err := formula.Family([]formula.Formula{member(1, 0), member(1, 0)})
	require.ErrorContains(t, err, "twice")
}

func TestAlternates(t *testing.T) {
	standard, lighter, wet, mid := member(1, 0), member(2, 0), member(3, 0), member(4, 0)
	lighter.Alternate, lighter.Code = "lighter", "k7 204"
	wet.System, mid.Coat = water, formula.Mid
	all := []formula.Formula{standard, lighter, wet, mid}
	assert.Equal(t, []formula.Formula{lighter}, formula.Alternates(all, standard))
	standard.Code = ""
	assert.Empty(t, formula.Alternates(all, standard))
}
