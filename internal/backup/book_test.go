package backup

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	_ "github.com/mattn/go-sqlite3" // to break books on purpose
	"github.com/stretchr/testify/require"

	"pourbook/internal/card"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/store"
)

// What the tests of this package start from: a real file in a folder of its own. All names are invented.

var noon = time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)

func openBook(tb testing.TB, path string) *store.Store {
	tb.Helper()
	s, err := store.Open(path)
	require.NoError(tb, err)
	tb.Cleanup(func() { require.NoError(tb, s.Close()) })
	return s
}

// stock puts three toners, a formula in two revisions, a person, and a card with a photograph into a book.
func stock(tb testing.TB, s *store.Store) (formula.Formula, formula.Revision) {
	tb.Helper()
	var lines []formula.Line
	for i, name := range []string{"Chalk", "Verdigris", "Soot"} {
		toner, err := s.SaveToner(tb.Context(), formula.Toner{
			Name: name, System: "Solvent base", Kind: formula.Solid, Strength: formula.Medium, Density: 1.1, Stocked: true,
		})
		require.NoError(tb, err)
		lines = append(lines, formula.Line{Toner: toner, Mass: gram.Mass(100-30*i) * gram.Gram})
	}
	f, _, err := s.CreateFormula(tb.Context(),
		formula.Formula{Name: "Garden gate", System: "Solvent base", Coat: formula.Base, Finish: formula.FinishSolid, Swatch: "#667788"},
		formula.Revision{Lines: lines, By: "Ann"})
	require.NoError(tb, err)
	r, err := s.AddRevision(tb.Context(), f.ID, formula.Revision{Lines: lines[:2], By: "Ann", Note: "less of it"})
	require.NoError(tb, err)
	_, err = s.SavePerson(tb.Context(), store.Person{Name: "Ann"})
	require.NoError(tb, err)
	photo, err := s.SavePhoto(tb.Context(), append([]byte("\xff\xd8\xff"), make([]byte, 9000)...))
	require.NoError(tb, err)
	_, err = s.SaveCard(tb.Context(), card.Card{FormulaID: f.ID, RevisionID: r.ID, SprayedAt: noon, By: "Ann", Coats: 2, Photo: photo}, "Ann")
	require.NoError(tb, err)
	return f, r
}

// plan returns a plan of n toners of 10 g each.
func plan(n int) pour.Planned {
	p := pour.Planned{
		Title: "Garden gate", System: "Solvent base", Total: gram.Mass(n) * 10 * gram.Gram, Asked: fmt.Sprintf("%d g", n*10),
		Balance: gram.Balance{Division: 100}, Cup: pour.Cup{Name: "400 ml cup", Brim: 400},
	}
	for i := range n {
		key := pour.TonerKey(int64(i + 1))
		p.Components = append(p.Components, pour.Component{Key: key, Name: fmt.Sprintf("Toner %d", i+1), Role: formula.Solid, Strength: formula.Medium, Density: 1, Goal: 10 * gram.Gram})
		p.Steps = append(p.Steps, pour.Step{No: i + 1, Key: key, Aim: 10 * gram.Gram, Tolerance: 400})
	}
	return p
}

// hand pours one batch as one tablet would.
type hand struct {
	store *store.Store
	batch string
	state pour.State
	next  int
}

// does records a body and keeps the state after it.
func (h *hand) does(body pour.Body) error {
	h.next++
	cmd := pour.Command{ID: fmt.Sprintf("%s-%d", h.batch, h.next), Seen: h.state.Decided, Epoch: h.state.Epoch, Device: "tablet", By: "Ann", At: noon.Add(time.Duration(h.next) * time.Second), Body: body}
	record := h.store.Record
	if h.state.Seq == 0 {
		record = h.store.Plan
	}
	state, err := record(context.Background(), h.batch, cmd)
	if err == nil {
		h.state = state
	}
	return err
}

// step does what the batch is waiting for.
func (h *hand) step(toners int) error {
	switch {
	case h.state.Seq == 0:
		return h.does(plan(toners))
	case !h.state.Placed:
		return h.does(pour.CupPlaced{Reading: 15 * gram.Gram, Cup: h.state.Plan.Cup})
	case len(h.state.Todo) > 0:
		open := h.state.Todo[0]
		return h.does(pour.Poured{Step: open.No, Attempt: h.state.Attempt(open.No), Key: open.Key, Reading: h.state.Last + open.Aim})
	case !h.state.Stirred:
		return h.does(pour.Stirred{})
	}
	return h.does(pour.Finished{Kept: 5 * gram.Gram})
}

func fill(tb testing.TB, s *store.Store, batch string, toners int) {
	tb.Helper()
	h := &hand{store: s, batch: batch}
	for !h.state.Ended() {
		require.NoError(tb, h.step(toners))
	}
}

// closedBook is a stocked book with three finished batches, in a file that nobody holds.
func closedBook(tb testing.TB) string {
	tb.Helper()
	path := filepath.Join(tb.TempDir(), "book.db")
	s, err := store.Open(path)
	require.NoError(tb, err)
	stock(tb, s)
	for i := range 3 {
		fill(tb, s, fmt.Sprintf("batch%d", i), 3+i)
	}
	require.NoError(tb, s.Close())
	return path
}

// change runs SQL in a closed book, as no program of ours would.
func change(tb testing.TB, path string, script string) {
	tb.Helper()
	db, err := sql.Open("sqlite3", path)
	require.NoError(tb, err)
	_, err = db.ExecContext(tb.Context(), script)
	require.NoError(tb, err)
	require.NoError(tb, db.Close())
}

func readFile(tb testing.TB, path string) []byte {
	tb.Helper()
	data, err := os.ReadFile(path)
	require.NoError(tb, err)
	return data
}

func writeFile(tb testing.TB, path string, data []byte) {
	tb.Helper()
	require.NoError(tb, os.WriteFile(path, data, 0o600))
}

// namesIn returns what is in a folder.
func namesIn(tb testing.TB, folder string) []string {
	tb.Helper()
	entries, err := os.ReadDir(folder)
	require.NoError(tb, err)
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}
