package store

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/formula"
)

func problems(t *testing.T, err error) []string {
	t.Helper()
	var ps formula.Problems
	require.ErrorAs(t, err, &ps)
	assert.NotEmpty(t, Sentence(err))
	var fields []string
	for _, p := range ps {
		fields = append(fields, p.Field)
	}
	return fields
}

func TestTonerRoundTrip(t *testing.T) {
	s := openBook(t)
	shelve(t, s, solvent, "Jet Black 2")
	old := formula.Toner{
		Name: " Jet  Black ", Code: "T-17", System: " solvent  BASE", Kind: formula.Pearl, Strength: formula.Strong, Density: 0.987, PerLitre: 12345,
		Swatch: "#010203", Hazard: "Wear gloves.", SheetURL: "binder 3", WetFirst: true, Replaced: &formula.Replacement{By: "jet black 2", Factor: 1.15}, Stocked: true,
	}
	kept, err := s.SaveToner(ctx, old)
	require.NoError(t, err)
	want := old
	want.ID, want.Name, want.System = kept.ID, "Jet Black", solvent
	assert.Equal(t, want, kept)
	want.Replaced = &formula.Replacement{By: "Jet Black 2", Factor: 1.15}
	read, err := s.Toner(ctx, kept.ID)
	require.NoError(t, err)
	assert.Equal(t, want, read)
	byName, err := s.TonerByName(ctx, "SOLVENT base", "JET BLACK")
	require.NoError(t, err)
	assert.Equal(t, want, byName)

	want.Replaced, want.Name = nil, "Jet black" // only the case changes
	_, err = s.SaveToner(ctx, want)
	require.NoError(t, err)
	read, err = s.Toner(ctx, kept.ID)
	require.NoError(t, err)
	assert.Equal(t, want, read)

	require.NoError(t, s.SetStocked(ctx, kept.ID, false))
	stocked, err := s.Toners(ctx, TonerFilter{Stocked: true})
	require.NoError(t, err)
	require.Len(t, stocked, 1)
	assert.Equal(t, "Jet Black 2", stocked[0].Name)
	systems, err := s.Systems(ctx)
	require.NoError(t, err)
	assert.Equal(t, []formula.System{solvent}, systems)
}

func TestTonerNamesAreUniqueInTheirSystem(t *testing.T) {
	s := openBook(t)
	shelve(t, s, solvent, "Über White")
	_, err := s.SaveToner(ctx, formula.Toner{Name: "über  WHITE", System: solvent, Kind: formula.Solid})
	assert.Equal(t, []string{"name"}, problems(t, err))
	shelve(t, s, "Water base", "Über White") // another system has its own names
	shelve(t, s, solvent, "Uber White")      // an accent is another letter
	all, err := s.Toners(ctx, TonerFilter{System: "water BASE"})
	require.NoError(t, err)
	assert.Len(t, all, 1)
}

func TestBadToners(t *testing.T) {
	s := openBook(t)
	good := formula.Toner{Name: "White", System: solvent, Kind: formula.Solid, Strength: formula.Weak}
	for field, spoil := range map[string]func(*formula.Toner){
		"name":     func(n *formula.Toner) { n.Name = " \t" },
		"system":   func(n *formula.Toner) { n.System = "" },
		"kind":     func(n *formula.Toner) { n.Kind = "glitter" },
		"strength": func(n *formula.Toner) { n.Strength = "mighty" },
		"density":  func(n *formula.Toner) { n.Density = math.NaN() },
		"price":    func(n *formula.Toner) { n.PerLitre = -1 },
		"swatch":   func(n *formula.Toner) { n.Swatch = "red;}" },
		"replaced": func(n *formula.Toner) { n.Replaced = &formula.Replacement{By: "White", Factor: math.Inf(1)} },
		"code":     func(n *formula.Toner) { n.Code = strings.Repeat("x", 201) },
		"hazard":   func(n *formula.Toner) { n.Hazard = "a\x00b" },
		"sheet":    func(n *formula.Toner) { n.SheetURL = "\xff" },
	} {
		bad := good
		spoil(&bad)
		_, err := s.SaveToner(ctx, bad)
		assert.Equal(t, []string{field}, problems(t, err))
	}
	unknown := good
	unknown.Replaced = &formula.Replacement{By: "Nothing", Factor: 1}
	_, err := s.SaveToner(ctx, unknown)
	assert.Equal(t, []string{"replaced"}, problems(t, err))
	systems, err := s.Systems(ctx)
	require.NoError(t, err)
	assert.Empty(t, systems, "a refused toner leaves no system behind")

	good.ID = 99
	_, err = s.SaveToner(ctx, good)
	require.ErrorIs(t, err, ErrNotFound)
	_, err = s.Toner(ctx, 99)
	require.ErrorIs(t, err, ErrNotFound)
	require.ErrorIs(t, s.SetStocked(ctx, 99, true), ErrNotFound)
	require.ErrorIs(t, s.DeleteToner(ctx, 99), ErrNotFound)
}

func TestReplacementsNeverRunInACircle(t *testing.T) {
	s := openBook(t)
	toners := shelve(t, s, solvent, "A", "B", "C")
	replace := func(n int, by string) error {
		toner := toners[n]
		toner.Replaced = &formula.Replacement{By: by, Factor: 1}
		_, err := s.SaveToner(ctx, toner)
		return err
	}
	require.NoError(t, replace(0, "B"))
	require.NoError(t, replace(1, "C"))
	assert.Equal(t, []string{"replaced"}, problems(t, replace(2, "A")))
	assert.Equal(t, []string{"replaced"}, problems(t, replace(2, "C")))
	shelve(t, s, "Water base", "D")
	assert.Equal(t, []string{"replaced"}, problems(t, replace(2, "D")), "one of another system")
}

func TestTonersStayWhereTheyAreUsed(t *testing.T) {
	s := openBook(t)
	_, r := gate(t, s)
	white := r.Lines[0].Toner
	err := s.DeleteToner(ctx, white.ID)
	require.ErrorIs(t, err, ErrInUse)
	assert.Contains(t, Sentence(err), "not stocked")
	white.System = "Water base"
	_, err = s.SaveToner(ctx, white)
	assert.Equal(t, []string{"system"}, problems(t, err))
	unused := shelve(t, s, solvent, "Mistake")[0]
	require.NoError(t, s.DeleteToner(ctx, unused.ID))
	_, err = s.Toner(ctx, unused.ID)
	require.ErrorIs(t, err, ErrNotFound)
}

func TestCompleteToners(t *testing.T) {
	s := openBook(t)
	for _, n := range []struct {
		name, code string
		stocked    bool
	}{
		{"Reduced White", "W-1", true}, {"White", "W-10", true}, {"Warm White", "B7", true}, {"Wine Red", "R2", false}, {"Wax", "W", true}, {"Öl Black", "X1", true},
	} {
		_, err := s.SaveToner(ctx, formula.Toner{Name: n.name, Code: n.code, System: solvent, Kind: formula.Solid, Stocked: n.stocked})
		require.NoError(t, err)
	}
	shelve(t, s, "Water base", "White")
	names := func(text string) (all []string) {
		toners, err := s.CompleteToners(ctx, solvent, text, 0)
		require.NoError(t, err)
		for _, n := range toners {
			all = append(all, n.Name)
		}
		return all
	}
	assert.Equal(t, []string{"Wax", "Reduced White", "White", "Warm White", "Wine Red"}, names("w"))
	assert.Equal(t, []string{"Reduced White", "White"}, names("W1"))
	assert.Equal(t, []string{"White", "Reduced White", "Warm White"}, names("whi"))
	assert.Equal(t, []string{"Warm White"}, names("white wa"))
	assert.Equal(t, []string{"Öl Black"}, names("ol"))
	assert.Len(t, names("%"), 6, "a sign is no letter: nothing is asked for")
	all, err := s.CompleteToners(ctx, "", "white", 2)
	require.NoError(t, err)
	assert.Len(t, all, 2)
	_, err = s.CompleteToners(ctx, solvent, strings.Repeat("x", 1<<20), 0)
	require.ErrorIs(t, err, ErrInvalid)
}
