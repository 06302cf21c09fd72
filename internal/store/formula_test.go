package store

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

func TestFormulaRoundTrip(t *testing.T) {
	s := openBook(t, WithClock(func() time.Time { return noon }))
	toners := shelve(t, s, solvent, "White", "Blue", "Black")
	f := formula.Formula{
		Name: "Garden  gate", Code: "K7-204/1", Alternate: "lighter", Years: "1968 to 1972", Tags: []string{"vans", " Vans ", "<gate>"}, System: solvent, Coat: formula.Base,
		Finish: formula.FinishSolid, Swatch: "#aab7a0", Target: &colour.Lab{L: 61.25, A: -8.5, B: 3.125}, Notes: "Look at it\nin daylight.",
	}
	r := formula.Revision{
		Lines: lines(toners...), Reduction: &formula.Ratio{Paint: 2, By: "volume", Parts: []formula.Part{{Name: "Hardener", Kind: formula.Hardener, Parts: 1, Density: 1.02}}},
		PotLife: 4 * time.Hour, FixedOrder: true, Note: "from the old card", By: "Ann",
	}
	kept, revision, err := s.CreateFormula(ctx, f, r)
	require.NoError(t, err)
	want := f
	want.ID, want.Name, want.Tags, want.CreatedAt = kept.ID, "Garden gate", []string{"vans", "<gate>"}, noon
	assert.Equal(t, want, kept)
	read, err := s.Formula(ctx, kept.ID)
	require.NoError(t, err)
	assert.Equal(t, want, read)
	wanted := r
	wanted.ID, wanted.FormulaID, wanted.Number, wanted.Total, wanted.At = revision.ID, kept.ID, 1, 1000*gram.Gram, noon
	assert.Equal(t, wanted, revision)
	again, err := s.Revision(ctx, revision.ID)
	require.NoError(t, err)
	assert.Equal(t, wanted, again)

	byName := formula.Revision{Lines: []formula.Line{{Toner: formula.Toner{Name: "BLACK"}, Mass: 5 * gram.Gram}}}
	second, err := s.AddRevision(ctx, kept.ID, byName)
	require.NoError(t, err)
	assert.Equal(t, 2, second.Number)
	assert.Equal(t, toners[2], second.Lines[0].Toner)
	assert.Empty(t, byName.Lines[0].Toner.Kind, "the caller's lines are left alone")
	all, err := s.Revisions(ctx, kept.ID)
	require.NoError(t, err)
	require.Len(t, all, 2)
	assert.Equal(t, []formula.Revision{second, wanted}, all)
	latest, err := s.LatestRevision(ctx, kept.ID)
	require.NoError(t, err)
	assert.Equal(t, second, latest)

	want.Name, want.Tags, want.Target, want.Coat, want.Retired, want.System = "Barn door", nil, nil, formula.Mid, true, "Water base"
	_, err = s.UpdateFormula(ctx, want)
	require.NoError(t, err)
	want.System, want.Retired = solvent, false
	read, err = s.Formula(ctx, kept.ID)
	require.NoError(t, err)
	assert.Equal(t, want, read, "system and retirement are not changed with the words")
	require.NoError(t, s.Retire(ctx, kept.ID, true))
	page, err := s.Search(ctx, Query{Text: "barn"})
	require.NoError(t, err)
	assert.Zero(t, page.Total)
	page, err = s.Search(ctx, Query{Text: "barn", Retired: true})
	require.NoError(t, err)
	assert.Equal(t, 1, page.Total)
	page, err = s.Search(ctx, Query{Text: "garden", Retired: true})
	require.NoError(t, err)
	assert.Zero(t, page.Total, "the old name is forgotten")
}

func TestRevisionsNeverChange(t *testing.T) {
	s := openBook(t)
	_, r := gate(t, s)
	for _, query := range []string{
		`UPDATE revision SET note = 'x'`, `UPDATE revision SET total = total + 1`, `DELETE FROM revision`,
		`UPDATE line SET mass = mass + 1`, `UPDATE line SET toner_id = 1 WHERE position = 2`, `DELETE FROM line WHERE position = 3`,
		`INSERT INTO line (revision_id, position, toner_id, mass) SELECT 1, 4, id, 1 FROM toner WHERE name = 'Spare'`,
		`INSERT OR REPLACE INTO line (revision_id, position, toner_id, mass) VALUES (1, 1, 1, 1)`,
		`REPLACE INTO revision SELECT * FROM revision`,
		`DELETE FROM formula`, `UPDATE formula SET system_id = system_id + 1`, `UPDATE formula SET parent_formula = 9`,
	} {
		shelveOnce(t, s)
		err := s.update(ctx, "tamper", func(t *tx) error { return t.exec(query) })
		assert.Error(t, err, query)
	}
	read, err := s.Revision(ctx, r.ID)
	require.NoError(t, err)
	assert.Equal(t, r, read)
}

func shelveOnce(t *testing.T, s *Store) {
	t.Helper()
	if _, err := s.TonerByName(ctx, solvent, "Spare"); errors.Is(err, ErrNotFound) {
		shelve(t, s, solvent, "Spare")
	}
}

func TestSystemsNeverMeet(t *testing.T) {
	s := openBook(t)
	f, _ := gate(t, s)
	water := shelve(t, s, "Water base", "White")
	_, err := s.AddRevision(ctx, f.ID, formula.Revision{Lines: lines(water[0])})
	assert.Equal(t, []string{"system"}, problems(t, err))
	_, err = s.AddRevision(ctx, f.ID, formula.Revision{Lines: []formula.Line{{Toner: formula.Toner{Name: "White", System: "Water base"}, Mass: 1}}})
	assert.Equal(t, []string{"system"}, problems(t, err))
	// The trigger holds for whoever writes the rows.
	err = s.update(ctx, "bypass", func(t *tx) error {
		id, err := t.insert(`INSERT INTO revision (formula_id, number, total, line_count, pot_life, fixed_order, note, person, at) VALUES (1, 2, 1, 1, 0, 0, '', '', 0)`)
		if err != nil {
			return err
		}
		return t.exec(`INSERT INTO line (revision_id, position, toner_id, mass) VALUES (?, 1, ?, 1)`, id, water[0].ID)
	})
	require.ErrorContains(t, err, "another paint system")
	all, err := s.Revisions(ctx, f.ID)
	require.NoError(t, err)
	assert.Len(t, all, 1)
}

func TestBadFormulas(t *testing.T) {
	s := openBook(t)
	toners := shelve(t, s, solvent, "White", "Blue")
	for field, spoil := range map[string]func(*formula.Formula, *formula.Revision){
		"name":      func(f *formula.Formula, _ *formula.Revision) { f.Name = "" },
		"system":    func(f *formula.Formula, _ *formula.Revision) { f.System = "" },
		"coat":      func(f *formula.Formula, _ *formula.Revision) { f.Coat = "varnish" },
		"finish":    func(f *formula.Formula, _ *formula.Revision) { f.Finish = "matt" },
		"swatch":    func(f *formula.Formula, _ *formula.Revision) { f.Swatch = "green" },
		"target":    func(f *formula.Formula, _ *formula.Revision) { f.Target = &colour.Lab{L: 300} },
		"notes":     func(f *formula.Formula, _ *formula.Revision) { f.Notes = "\x00" },
		"toner":     func(_ *formula.Formula, r *formula.Revision) { r.Lines = nil },
		"amount":    func(_ *formula.Formula, r *formula.Revision) { r.Lines[1].Mass = 0 },
		"pot_life":  func(_ *formula.Formula, r *formula.Revision) { r.PotLife = -1 },
		"reduction": func(_ *formula.Formula, r *formula.Revision) { r.Reduction = &formula.Ratio{By: "volume", Paint: 1} },
	} {
		f, r := entry("Gate", "K7"), formula.Revision{Lines: lines(toners...)}
		spoil(&f, &r)
		_, _, err := s.CreateFormula(ctx, f, r)
		assert.Equal(t, []string{field}, problems(t, err))
	}
	twice := formula.Revision{Lines: lines(toners[0], toners[0])}
	_, _, err := s.CreateFormula(ctx, entry("Gate", ""), twice)
	problems(t, err)
	_, _, err = s.CreateFormula(ctx, entry("Gate", ""), formula.Revision{Lines: lines(formula.Toner{ID: 99, Name: "Ghost"}, formula.Toner{Name: "Nobody"})})
	assert.Equal(t, []string{"toner", "toner"}, problems(t, err))
	variant := entry("Gate", "")
	variant.Parent = &formula.Origin{FormulaID: 1, Reason: "x"}
	_, _, err = s.CreateFormula(ctx, variant, formula.Revision{Lines: lines(toners...)})
	require.ErrorIs(t, err, ErrInvalid)
	page, err := s.Search(ctx, Query{Retired: true})
	require.NoError(t, err)
	assert.Zero(t, page.Total, "nothing is left of what was refused")

	for _, err := range []error{
		second(s.Formula(ctx, 99)), second(s.Revision(ctx, 99)), second(s.LatestRevision(ctx, 99)), second(s.AddRevision(ctx, 99, twice)), second(s.UpdateFormula(ctx, formula.Formula{ID: 99})),
		s.Retire(ctx, 99, true), second(s.Family(ctx, 99)),
	} {
		require.ErrorIs(t, err, ErrNotFound)
		assert.NotEmpty(t, Sentence(err))
	}
}

func second[T any](_ T, err error) error { return err }

func TestAlternates(t *testing.T) {
	s := openBook(t)
	f, r := gate(t, s)
	for _, a := range []struct {
		code, alternate string
		coat            formula.Coat
	}{{"k7 204-1", "redder", formula.Base}, {"K7204/1", "coarser", formula.Base}, {"K7-204/1", "ground", formula.Ground}, {"K7-205", "", formula.Base}} {
		other := entry("Garden gate", a.code)
		other.Alternate, other.Coat = a.alternate, a.coat
		_, _, err := s.CreateFormula(ctx, other, formula.Revision{Lines: r.Lines})
		require.NoError(t, err)
	}
	all, err := s.Alternates(ctx, f)
	require.NoError(t, err)
	require.Len(t, all, 2)
	assert.Equal(t, []string{"coarser", "redder"}, []string{all[0].Alternate, all[1].Alternate})
	all, err = s.Alternates(ctx, formula.Formula{System: solvent, Coat: formula.Base})
	require.NoError(t, err)
	assert.Empty(t, all, "no code, no alternates")
}

func TestImportIsAllOrNothing(t *testing.T) {
	s := openBook(t)
	shelve(t, s, solvent, "White")
	good := func(name string) NewEntry {
		return NewEntry{Formula: entry(name, ""), Revisions: []formula.Revision{
			{Lines: []formula.Line{{Toner: formula.Toner{Name: "white"}, Mass: 10}, {Toner: formula.Toner{Name: "Rare Red", Strength: formula.Strong}, Mass: 20}}},
			{Lines: []formula.Line{{Toner: formula.Toner{Name: "RARE RED"}, Mass: 30}}},
		}}
	}
	bad := good("Third")
	bad.Revisions[1].Lines[0].Mass = 0
	_, err := s.ImportFormulas(ctx, []NewEntry{good("First"), good("Second"), bad, good("Fourth")})
	require.Error(t, err)
	assert.Contains(t, Sentence(err), "Formula 3 (Third): Line 1")
	assert.Contains(t, Sentence(err), "Nothing was imported.")
	page, err := s.Search(ctx, Query{})
	require.NoError(t, err)
	assert.Zero(t, page.Total)
	toners, err := s.Toners(ctx, TonerFilter{})
	require.NoError(t, err)
	assert.Len(t, toners, 1, "no toner of the refused list either")

	variant := good("Orphan")
	variant.Formula.Parent = &formula.Origin{FormulaID: 77, Reason: "lost"}
	_, err = s.ImportFormulas(ctx, []NewEntry{good("First"), variant})
	assert.Contains(t, Sentence(err), "not in the book")
	_, err = s.ImportFormulas(ctx, []NewEntry{{Formula: entry("Bare", "")}})
	require.Error(t, err)

	ids, err := s.ImportFormulas(ctx, []NewEntry{good("First"), good("Second")})
	require.NoError(t, err)
	require.Len(t, ids, 2)
	red, err := s.TonerByName(ctx, solvent, "rare red")
	require.NoError(t, err)
	assert.Equal(t, formula.Toner{ID: red.ID, Name: "Rare Red", System: solvent, Kind: formula.Solid, Strength: formula.Strong}, red, "put on the list, not stocked")
	all, err := s.Revisions(ctx, ids[1])
	require.NoError(t, err)
	assert.Len(t, all, 2)
}

// What is exported can be imported into an empty book and exported again with nothing lost.
func TestExportAndImportAgain(t *testing.T) {
	from, to := openBook(t), openBook(t)
	f, r := gate(t, from)
	_, err := from.AddRevision(ctx, f.ID, formula.Revision{Lines: r.Lines[1:], By: "Bo", Note: "less white"})
	require.NoError(t, err)
	require.NoError(t, from.Retire(ctx, f.ID, true))
	fillBook(t, from, 450)
	read := func(s *Store) (entries []NewEntry) {
		require.NoError(t, s.ExportAll(ctx, func(f formula.Formula, r formula.Revision) error {
			if n := len(entries); n == 0 || entries[n-1].Formula.ID != f.ID {
				entries = append(entries, NewEntry{Formula: f})
			}
			e := &entries[len(entries)-1]
			e.Revisions = append(e.Revisions, r)
			return nil
		}))
		return entries
	}
	entries := read(from)
	require.Len(t, entries, 451)
	require.Len(t, entries[0].Revisions, 2)
	assert.Equal(t, 1, entries[0].Revisions[0].Number)
	fresh := read(from)
	for i := range fresh {
		for j := range fresh[i].Revisions {
			for k := range fresh[i].Revisions[j].Lines {
				fresh[i].Revisions[j].Lines[k].Toner.ID = 0 // numbers are of one book only
			}
		}
	}
	_, err = to.ImportFormulas(ctx, fresh)
	require.NoError(t, err)
	again := read(to)
	require.Len(t, again, len(entries))
	for i := range entries {
		assert.Equal(t, entries[i].Formula, again[i].Formula)
		for j := range entries[i].Revisions {
			a, b := entries[i].Revisions[j], again[i].Revisions[j]
			require.Len(t, b.Lines, len(a.Lines))
			for k := range a.Lines {
				assert.Equal(t, a.Lines[k].Mass, b.Lines[k].Mass)
				assert.Equal(t, a.Lines[k].Toner.Name, b.Lines[k].Toner.Name)
			}
			a.Lines, b.Lines = nil, nil
			a.ID, b.ID = 0, 0
			assert.Equal(t, a, b)
		}
	}
	stop := errors.New("enough")
	require.ErrorIs(t, from.ExportAll(ctx, func(formula.Formula, formula.Revision) error { return stop }), stop)
}
