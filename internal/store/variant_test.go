package store

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/formula"
)

// tree makes root ── a ── c
//
//	└ b
func tree(t *testing.T, s *Store) (root, a, b, c formula.Formula) {
	t.Helper()
	root, r := gate(t, s)
	child := func(parent formula.Formula, name string) formula.Formula {
		v := entry(name, "K7-204/1")
		v.System, v.Parent = "", &formula.Origin{FormulaID: parent.ID, Reason: " a trace\n greener "}
		v, _, err := s.CreateVariant(ctx, v, formula.Revision{Lines: r.Lines})
		require.NoError(t, err)
		return v
	}
	a, b = child(root, "A"), child(root, "B")
	return root, a, b, child(a, "C")
}

func TestFamily(t *testing.T) {
	s := openBook(t)
	root, a, b, c := tree(t, s)
	_, _, err := s.CreateFormula(ctx, entry("Stranger", "K7-204/1"), formula.Revision{Lines: lines(formula.Toner{Name: "White"})})
	require.NoError(t, err)
	for _, of := range []formula.Formula{root, a, b, c} {
		family, err := s.Family(ctx, of.ID)
		require.NoError(t, err)
		assert.Equal(t, []formula.Formula{root, a, b, c}, family)
	}
	assert.Equal(t, &formula.Origin{FormulaID: root.ID, Reason: "a trace greener"}, a.Parent)
	assert.Equal(t, solvent, a.System)
	page, err := s.Search(ctx, Query{Text: "garden"})
	require.NoError(t, err)
	require.Len(t, page.Hits, 1)
	assert.Equal(t, 2, page.Hits[0].Variants)

	a.Parent = &formula.Origin{FormulaID: c.ID, Reason: "another reason"}
	a, err = s.UpdateFormula(ctx, a)
	require.NoError(t, err)
	assert.Equal(t, &formula.Origin{FormulaID: root.ID, Reason: "another reason"}, a.Parent, "only the reason can be said anew")
	a.Parent = &formula.Origin{Reason: " "}
	_, err = s.UpdateFormula(ctx, a)
	assert.Equal(t, []string{"reason"}, problems(t, err))
}

func TestDeepFamily(t *testing.T) {
	s := openBook(t)
	f, r := gate(t, s)
	for range 60 {
		v := entry("Deeper", "")
		v.Parent = &formula.Origin{FormulaID: f.ID, Reason: "and again"}
		var err error
		f, _, err = s.CreateVariant(ctx, v, formula.Revision{Lines: r.Lines})
		require.NoError(t, err)
	}
	family, err := s.Family(ctx, f.ID)
	require.NoError(t, err)
	require.Len(t, family, 61)
	assert.Equal(t, "Garden gate", family[0].Name)
	assert.Equal(t, f, family[60])
}

func TestVariantFromWhatThereIs(t *testing.T) {
	s := openBook(t)
	f, r := gate(t, s)
	stranger, strange, err := s.CreateFormula(ctx, entry("Stranger", ""), formula.Revision{Lines: r.Lines})
	require.NoError(t, err)
	newHand(t, s, "batch", plan(3))
	create := func(system formula.System, o *formula.Origin) error {
		v := entry("Variant", "")
		v.System, v.Parent = system, o
		_, _, err := s.CreateVariant(ctx, v, formula.Revision{Lines: r.Lines})
		return err
	}
	require.NoError(t, create(solvent, &formula.Origin{FormulaID: f.ID, RevisionID: r.ID, BatchID: "batch", Reason: "card 3"}))
	assert.Equal(t, []string{"reason"}, problems(t, create(solvent, &formula.Origin{FormulaID: f.ID, Reason: "\t"})))
	assert.Equal(t, []string{"system"}, problems(t, create("Water base", &formula.Origin{FormulaID: f.ID, Reason: "x"})))
	require.ErrorIs(t, create(solvent, nil), ErrInvalid)
	require.ErrorIs(t, create(solvent, &formula.Origin{Reason: "x"}), ErrInvalid)
	require.ErrorIs(t, create(solvent, &formula.Origin{FormulaID: 99, Reason: "x"}), ErrNotFound)
	require.ErrorIs(t, create(solvent, &formula.Origin{FormulaID: f.ID, RevisionID: strange.ID, Reason: "x"}), ErrNotFound)
	require.ErrorIs(t, create(solvent, &formula.Origin{FormulaID: f.ID, BatchID: "nowhere", Reason: "x"}), ErrNotFound)
	family, err := s.Family(ctx, stranger.ID)
	require.NoError(t, err)
	assert.Len(t, family, 1)
}
