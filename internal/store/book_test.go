package store

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
)

// What the tests of this package start from: a real file in a folder of its own.

const solvent formula.System = "Solvent base"

var ctx = context.Background()

// noon is the time of tests that need one.
var noon = time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)

func openBook(tb testing.TB, opts ...Option) *Store {
	tb.Helper()
	return openAt(tb, filepath.Join(tb.TempDir(), "book.db"), opts...)
}

func openAt(tb testing.TB, path string, opts ...Option) *Store {
	tb.Helper()
	s, err := Open(path, opts...)
	require.NoError(tb, err)
	tb.Cleanup(func() { require.NoError(tb, s.Close()) })
	return s
}

// shelve puts solid toners of one system on the list.
func shelve(tb testing.TB, s *Store, system formula.System, names ...string) []formula.Toner {
	tb.Helper()
	toners := make([]formula.Toner, len(names))
	for i, name := range names {
		var err error
		toners[i], err = s.SaveToner(ctx, formula.Toner{
			Name: name, System: system, Kind: formula.Solid, Strength: formula.Medium, Density: 1.1, PerLitre: 4500, Stocked: true,
		})
		require.NoError(tb, err)
	}
	return toners
}

// lines states white 700, blue 250, black 50 and so on for the toners given.
func lines(toners ...formula.Toner) []formula.Line {
	grams := []gram.Mass{700, 250, 50, 30, 20, 10, 5, 4, 3, 2, 1, 1}
	all := make([]formula.Line, len(toners))
	for i, t := range toners {
		all[i] = formula.Line{Toner: t, Mass: grams[i] * gram.Gram}
	}
	return all
}

func entry(name, code string) formula.Formula {
	return formula.Formula{Name: name, Code: code, System: solvent, Coat: formula.Base, Finish: formula.FinishSolid, Swatch: "#aab7a0"}
}

// gate is a book with one formula of three toners.
func gate(tb testing.TB, s *Store) (formula.Formula, formula.Revision) {
	tb.Helper()
	f, r, err := s.CreateFormula(ctx, entry("Garden gate", "K7-204/1"), formula.Revision{Lines: lines(shelve(tb, s, solvent, "White", "Blue", "Black")...), By: "Ann"})
	require.NoError(tb, err)
	return f, r
}

// plan returns a plan of n toners of 10 g each, the first step numbered 1.
func plan(n int) pour.Planned {
	p := pour.Planned{
		Title: "Garden gate", System: solvent, Total: gram.Mass(n) * 10 * gram.Gram, Asked: fmt.Sprintf("%d g", n*10),
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
	tb     testing.TB
	store  *Store
	batch  string
	state  pour.State
	next   int
	device string
}

func newHand(tb testing.TB, s *Store, batch string, p pour.Planned) *hand {
	tb.Helper()
	h := &hand{tb: tb, store: s, batch: batch, device: "tablet"}
	state, err := s.Plan(ctx, batch, h.command(p))
	require.NoError(tb, err)
	h.state = state
	return h
}

func (h *hand) command(body pour.Body) pour.Command {
	h.next++
	return pour.Command{ID: fmt.Sprintf("%s-%d", h.batch, h.next), Seen: h.state.Decided, Epoch: h.state.Epoch, Device: h.device, By: "Ann", At: noon.Add(time.Duration(h.next) * time.Second), Body: body}
}

// does records a command that has to be accepted.
func (h *hand) does(body pour.Body) {
	h.tb.Helper()
	state, err := h.store.Record(ctx, h.batch, h.command(body))
	require.NoError(h.tb, err)
	h.state = state
}

func (h *hand) poured(more gram.Mass) pour.Poured {
	step := h.state.Todo[0]
	return pour.Poured{Step: step.No, Attempt: h.state.Attempt(step.No), Key: step.Key, Reading: h.state.Last + more}
}

// fills places the cup and pours every step exactly.
func (h *hand) fills() {
	h.tb.Helper()
	h.does(pour.CupPlaced{Reading: 15 * gram.Gram, Cup: h.state.Plan.Cup})
	for len(h.state.Todo) > 0 {
		h.does(h.poured(h.state.Todo[0].Aim))
	}
}
