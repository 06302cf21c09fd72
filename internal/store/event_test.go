package store

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/mattn/go-sqlite3"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
)

func TestPourFromPlanToFinish(t *testing.T) {
	path := filepath.Join(t.TempDir(), "book.db")
	s, err := Open(path, WithClock(func() time.Time { return noon }))
	require.NoError(t, err)
	f, r := gate(t, s)
	p := plan(3)
	p.FormulaID, p.RevisionID, p.Revision, p.PotLife = f.ID, r.ID, r.Number, 4*time.Hour
	h := newHand(t, s, "batch", p)
	h.fills()
	h.does(pour.Stirred{})

	row := func() Batch {
		t.Helper()
		rows, err := s.Batches(ctx, BatchFilter{FormulaID: f.ID})
		require.NoError(t, err)
		require.Len(t, rows, 1)
		return rows[0]
	}
	want := Batch{
		ID: "batch", Title: "Garden gate", FormulaID: f.ID, RevisionID: r.ID, Revision: 1, System: solvent, Swatch: "#aab7a0", Asked: "30 g",
		Decided: 6, Need: pour.NeedNext, Total: 30 * gram.Gram, Colour: 30 * gram.Gram, Contents: 30 * gram.Gram, StartedBy: "Ann", Holder: "Ann",
		StartedAt: noon.Add(time.Second), PotLife: 4 * time.Hour, UpdatedAt: noon,
	}
	assert.Equal(t, want, row())
	h.does(pour.Finished{Kept: 20 * gram.Gram})
	want.Decided, want.Need, want.Outcome, want.Kept, want.EndedAt = 7, pour.NeedNothing, "finished", 20*gram.Gram, noon.Add(7*time.Second)
	assert.Equal(t, want, row())
	open, err := s.Batches(ctx, BatchFilter{Open: true})
	require.NoError(t, err)
	assert.Empty(t, open)

	page, err := s.Search(ctx, Query{Recent: true})
	require.NoError(t, err)
	assert.Equal(t, noon.Add(time.Second), page.Hits[0].PouredAt)

	events, err := s.Events(ctx, "batch")
	require.NoError(t, err)
	require.Len(t, events, 7)
	folded, err := pour.Fold(events)
	require.NoError(t, err)
	require.NoError(t, s.Close())

	again, err := openAt(t, path).State(ctx, "batch")
	require.NoError(t, err)
	assert.Equal(t, h.state, again, "the cup after a restart")
	assert.Equal(t, folded, again)
}

func TestBatchesFilters(t *testing.T) {
	s := openBook(t)
	for i := range 5 {
		p := plan(2)
		p.Job = fmt.Sprintf("Überland van %d", i)
		h := newHand(t, s, fmt.Sprintf("batch%d", i), p)
		if i%2 == 0 {
			h.does(pour.Abandoned{Why: "spilt"})
		}
	}
	for _, c := range []struct {
		filter BatchFilter
		want   int
	}{
		{BatchFilter{}, 5},
		{BatchFilter{Open: true}, 2},
		{BatchFilter{Ended: true}, 3},
		{BatchFilter{Text: "GATE"}, 5},
		{BatchFilter{Text: "batch3"}, 1},
		{BatchFilter{Text: " VAN  2"}, 1},
		{BatchFilter{Text: "uber 1"}, 1},
		{BatchFilter{Text: "an"}, 0},
		{BatchFilter{Text: "100%"}, 0},
		{BatchFilter{Text: "%"}, 5},
		{BatchFilter{FormulaID: 9}, 0},
		{BatchFilter{From: noon.Add(time.Hour)}, 0},
		{BatchFilter{From: noon, To: noon.Add(time.Hour)}, 5},
		{BatchFilter{Limit: 2}, 2},
		{BatchFilter{Limit: 2, Offset: 4}, 1},
	} {
		rows, err := s.Batches(ctx, c.filter)
		require.NoError(t, err)
		assert.Len(t, rows, c.want, "%+v", c.filter)
	}
}

func TestSameCommandTwiceIsKeptOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "book.db")
	s, err := Open(path)
	require.NoError(t, err)
	h := newHand(t, s, "batch", plan(3))
	opening := pour.Command{ID: "batch-1", Device: "tablet", By: "Ann", At: noon, Body: plan(3)}
	h.does(pour.CupPlaced{Reading: 15 * gram.Gram})
	cmd := h.command(h.poured(10 * gram.Gram))
	first, err := s.Record(ctx, "batch", cmd)
	require.NoError(t, err)
	cmd.At = cmd.At.Add(time.Minute) // a retry may carry another time
	second, err := s.Record(ctx, "batch", cmd)
	require.NoError(t, err)
	assert.Equal(t, first, second)
	planned, err := s.Plan(ctx, "batch", opening)
	require.NoError(t, err)
	assert.Equal(t, first, planned, "a plan sent again gives the batch as it is by now")

	other := cmd
	body := cmd.Body.(pour.Poured)
	body.Reading += 100
	other.Body = body
	state, err := s.Record(ctx, "batch", other)
	require.ErrorIs(t, err, ErrIDReused)
	assert.NotEmpty(t, Sentence(err))
	assert.Equal(t, first, state, "the answer holds the present cup")
	opening.Body = plan(2)
	_, err = s.Plan(ctx, "batch", opening)
	require.ErrorIs(t, err, ErrIDReused)
	opening.ID, opening.Body = "another", plan(3)
	_, err = s.Plan(ctx, "batch", opening)
	require.ErrorIs(t, err, ErrIDReused, "a second plan for one batch")

	newHand(t, s, "batch2", plan(3))
	_, err = s.Record(ctx, "batch2", pour.Command{ID: cmd.ID, Seen: 1, Epoch: 1, Device: "tablet", Body: pour.CupPlaced{}})
	require.ErrorIs(t, err, ErrIDReused, "an id of another batch")

	require.NoError(t, s.Close())
	s = openAt(t, path)
	third, err := s.Record(ctx, "batch", cmd)
	require.NoError(t, err, "after a restart")
	assert.Equal(t, first, third)
	_, err = s.Record(ctx, "batch", other)
	require.ErrorIs(t, err, ErrIDReused)
	events, err := s.Events(ctx, "batch")
	require.NoError(t, err)
	assert.Len(t, events, 3)
}

// A consequence is kept under ID/2, which nobody else may use, before or after.
func TestIDsOfConsequences(t *testing.T) {
	s := openBook(t)
	reduced := func(batch string) *hand {
		h := newHand(t, s, batch, plan(2))
		h.fills()
		h.does(pour.Stirred{})
		hardener := pour.Component{Key: "p1", Name: "Hardener", Role: formula.Hardener, Density: 1, Goal: 10 * gram.Gram}
		h.does(pour.Reduced{Portion: 20 * gram.Gram, Ratio: "2 paint : 1 hardener by weight", Parts: []pour.Component{hardener}, Steps: []pour.Step{{No: h.state.NextNo(), Key: "p1", Aim: 10 * gram.Gram, Tolerance: 200, Why: pour.WhyReduce}}})
		return h
	}
	h := reduced("batch")
	cmd := h.command(h.poured(10 * gram.Gram))
	state, err := s.Record(ctx, "batch", cmd)
	require.NoError(t, err)
	require.False(t, state.ActivatedAt.IsZero(), "the hardener started the clock")
	state2, err := s.Record(ctx, "batch", cmd)
	require.NoError(t, err)
	assert.Equal(t, state, state2)
	_, err = s.Record(ctx, "batch", pour.Command{ID: cmd.ID + "/2", Seen: state.Decided, Epoch: 1, Device: "tablet", Body: pour.Activated{}})
	require.ErrorIs(t, err, ErrIDReused)

	g := reduced("other")
	taken := g.command(g.poured(10 * gram.Gram))
	newHand(t, s, "third", plan(2))
	_, err = s.Record(ctx, "third", pour.Command{ID: taken.ID + "/2", Seen: 1, Epoch: 1, Device: "tablet", Body: pour.CupPlaced{}})
	require.NoError(t, err)
	before, err := s.Events(ctx, "other")
	require.NoError(t, err)
	_, err = s.Record(ctx, "other", taken)
	require.ErrorIs(t, err, ErrIDReused)
	errs := together(
		t, s,
		func() error { _, err := s.Record(ctx, "other", taken); return err },
		func() error { _, err := s.SavePerson(ctx, Person{Name: "Ann"}); return err },
	)
	require.ErrorIs(t, errs[0], ErrIDReused, "in one commit with others")
	require.NoError(t, errs[1])
	after, err := s.Events(ctx, "other")
	require.NoError(t, err)
	assert.Equal(t, before, after, "the pour was kept without its consequence")
}

func TestTwoOriginatorsOfOnePour(t *testing.T) {
	s := openBook(t)
	h := newHand(t, s, "batch", plan(3))
	h.does(pour.CupPlaced{Reading: 15 * gram.Gram})
	var wait sync.WaitGroup
	start := make(chan struct{})
	errs := make([]error, 50)
	for i := range errs {
		body := h.poured(10*gram.Gram + gram.Mass(i))
		cmd := pour.Command{ID: fmt.Sprintf("racer-%d", i), Seen: h.state.Decided, Epoch: 1, Device: "tablet", At: noon}
		if i%2 == 0 { // the bench accepts the reading by itself
			cmd.Device, body.Auto = pour.Bench, true
		}
		cmd.Body = body
		wait.Go(func() {
			<-start
			_, errs[i] = s.Record(ctx, "batch", cmd)
		})
	}
	close(start)
	wait.Wait()
	booked := 0
	for _, err := range errs {
		var refusal *pour.Refusal
		switch {
		case err == nil:
			booked++
		case !errors.As(err, &refusal) || refusal.Reason != pour.Stale:
			t.Errorf("refused for another reason: %v", err)
		}
	}
	assert.Equal(t, 1, booked)
	state, err := s.State(ctx, "batch")
	require.NoError(t, err)
	assert.Len(t, state.Done, 1)
}

// The index is the second guard behind pour.Accept: it holds even for a row that bypasses the rules.
func TestOnePourIsOneRow(t *testing.T) {
	s := openBook(t)
	h := newHand(t, s, "batch", plan(3))
	h.does(pour.CupPlaced{Reading: 15 * gram.Gram})
	h.does(h.poured(10 * gram.Gram))
	insert := func(id string, seq, attempt int) error {
		return s.update(ctx, "bypass", func(t *tx) error {
			return t.exec(`INSERT INTO event (id, batch, seq, kind, version, step, attempt, at, person, device, epoch, body)
				VALUES (?, 1, ?, 'poured', 1, 1, ?, 0, '', '', 1, '{}')`, id, seq, attempt)
		})
	}
	var code sqlite3.Error
	require.ErrorAs(t, insert("x", 4, 1), &code)
	assert.Equal(t, sqlite3.ErrConstraintUnique, code.ExtendedCode)
	require.ErrorContains(t, insert("x", 9, 2), "without a gap")
	require.ErrorContains(t, insert("x", 3, 2), "without a gap")
	require.ErrorContains(t, insert("batch-3", 4, 2), "event.id")
}

func TestRefusalsComeWithThePresentCup(t *testing.T) {
	s := openBook(t)
	h := newHand(t, s, "batch", plan(3))
	h.does(pour.CupPlaced{Reading: 15 * gram.Gram})
	stale := h.command(h.poured(10 * gram.Gram))
	h.does(h.poured(10 * gram.Gram))
	reason := func(cmd pour.Command) pour.Reason {
		t.Helper()
		state, err := s.Record(ctx, "batch", cmd)
		var refusal *pour.Refusal
		require.ErrorAs(t, err, &refusal)
		assert.NotEmpty(t, Sentence(err))
		assert.Equal(t, h.state, state)
		return refusal.Reason
	}
	stale.ID = "stale"
	assert.Equal(t, pour.Stale, reason(stale))

	other := h.command(h.poured(10 * gram.Gram))
	other.Device = "other tablet"
	assert.Equal(t, pour.NotHolder, reason(other))
	taking := pour.Command{ID: "taking", Seen: h.state.Decided, Epoch: 1, Device: "other tablet", By: "Bo", At: noon, Body: pour.TakenOver{Device: "other tablet", Name: "Bo"}}
	queued := h.command(h.poured(10 * gram.Gram))
	var err error
	h.state, err = s.Record(ctx, "batch", taking)
	require.NoError(t, err)
	queued.Seen = h.state.Decided
	assert.Equal(t, pour.OldEpoch, reason(queued), "a tap queued before the cup was taken over")
	other.Seen, other.Epoch = h.state.Decided, h.state.Epoch
	_, err = s.Record(ctx, "batch", other)
	require.NoError(t, err)
}

func TestEventsWithoutATimeGetTheClocks(t *testing.T) {
	s := openBook(t, WithClock(func() time.Time { return noon.Add(1234567 * time.Nanosecond) }))
	state, err := s.Plan(ctx, "batch", pour.Command{ID: "plan", Device: "tablet", Body: plan(2)})
	require.NoError(t, err)
	assert.Equal(t, noon.Add(time.Millisecond), state.StartedAt, "whole milliseconds, as they are read back")
	kept, err := fold(ctx, s.read, "batch")
	require.NoError(t, err)
	assert.Equal(t, kept.state, state)
}

// JSON cannot hold every string. The cup in memory is the one that was written, not the one that was meant.
func TestCupInMemoryIsTheOneInTheFile(t *testing.T) {
	s := openBook(t)
	p := plan(2)
	p.Title, p.Components[0].Name = "Garden \xff gate", "\xfeWhite"
	h := newHand(t, s, "batch", p)
	kept, err := fold(ctx, s.read, "batch")
	require.NoError(t, err)
	assert.Equal(t, kept.state, h.state)
}

func TestTakenBackSurvivesARestart(t *testing.T) {
	path := filepath.Join(t.TempDir(), "book.db")
	s, err := Open(path)
	require.NoError(t, err)
	h := newHand(t, s, "batch", plan(3))
	h.does(pour.CupPlaced{Reading: 15 * gram.Gram})
	h.does(h.poured(10 * gram.Gram))
	last, ok := h.state.LastUndoable()
	require.True(t, ok)
	h.does(pour.TakenBack{Event: last.ID})
	step := h.state.Todo[0]
	require.Equal(t, 2, h.state.Attempt(step.No))
	h.does(h.poured(10 * gram.Gram))
	require.NoError(t, s.Close())
	state, err := openAt(t, path).State(ctx, "batch")
	require.NoError(t, err)
	assert.Equal(t, h.state, state)
}

func TestBadCommands(t *testing.T) {
	s := openBook(t)
	newHand(t, s, "batch", plan(3))
	_, err := s.Record(ctx, "nowhere", pour.Command{ID: "x", Device: "tablet", Body: pour.Stirred{}})
	require.ErrorIs(t, err, ErrNotFound)
	_, err = s.State(ctx, "nowhere")
	require.ErrorIs(t, err, ErrNotFound)
	_, err = s.Events(ctx, "nowhere")
	require.ErrorIs(t, err, ErrNotFound)
	_, err = s.Record(ctx, "batch", pour.Command{ID: "x"})
	require.ErrorIs(t, err, ErrInvalid, "no body")
	for _, id := range []string{"", strings.Repeat("x", 101), "a\x00b", "a\nb", "\xff"} {
		_, err = s.Record(ctx, "batch", pour.Command{ID: id, Seen: 1, Epoch: 1, Device: "tablet", Body: pour.CupPlaced{}})
		var refusal *pour.Refusal
		require.ErrorAs(t, err, &refusal, "id %q", id)
	}
	nan := plan(3)
	nan.Limit = math.NaN()
	_, err = s.Plan(ctx, "nan", pour.Command{ID: "nan", Body: nan})
	require.ErrorIs(t, err, ErrInvalid)
	assert.NotEmpty(t, Sentence(err))

	for name, spoil := range map[string]func(*pour.Planned){
		"no components": func(p *pour.Planned) { p.Components = nil },
		"no steps":      func(p *pour.Planned) { p.Steps = nil },
		"no weight":     func(p *pour.Planned) { p.Total = 0 },
		"two tonnes":    func(p *pour.Planned) { p.Total = 2 * gram.MaxMass },
		"twice":         func(p *pour.Planned) { p.Components[1].Key = p.Components[0].Key },
		"unknown key":   func(p *pour.Planned) { p.Steps[0].Key = "t99" },
		"takes paint":   func(p *pour.Planned) { p.Steps[0].Aim = -1 },
		"same number":   func(p *pour.Planned) { p.Steps[1].No = p.Steps[0].No },
	} {
		p := plan(3)
		spoil(&p)
		_, err = s.Plan(ctx, "spoilt", pour.Command{ID: "spoilt", Body: p})
		require.ErrorIs(t, err, ErrInvalid, name)
		assert.NotEmpty(t, Sentence(err), name)
	}
	p := plan(3)
	p.FormulaID, p.RevisionID = 7, 7
	_, err = s.Plan(ctx, "spoilt", pour.Command{ID: "spoilt", Body: p})
	require.ErrorIs(t, err, ErrNotFound)
	p.RevisionID = 0
	_, err = s.Plan(ctx, "spoilt", pour.Command{ID: "spoilt", Body: p})
	require.ErrorIs(t, err, ErrNotFound)
	rows, err := s.Batches(ctx, BatchFilter{})
	require.NoError(t, err)
	assert.Len(t, rows, 1, "nothing is left of a refused plan")
}

func TestEventsNeverChange(t *testing.T) {
	s := openBook(t)
	newHand(t, s, "batch", plan(3)).fills()
	for _, query := range []string{
		`UPDATE event SET body = '{}'`, `UPDATE event SET at = 0 WHERE seq = 2`, `DELETE FROM event`, `DELETE FROM batch`,
		`INSERT OR REPLACE INTO event SELECT * FROM event WHERE seq = 2`,
		`REPLACE INTO batch SELECT * FROM batch`,
	} {
		err := s.update(ctx, "tamper", func(t *tx) error { return t.exec(query) })
		assert.Error(t, err, query)
	}
	events, err := s.Events(ctx, "batch")
	require.NoError(t, err)
	assert.Len(t, events, 5)
}

// The cache is bounded, and what fell out of it reads the same from the file.
func TestBatchesBeyondTheCache(t *testing.T) {
	s := openBook(t)
	s.cups.most = 3
	hands := make([]*hand, 8)
	for i := range hands {
		hands[i] = newHand(t, s, fmt.Sprintf("batch%d", i), plan(2))
	}
	for range 2 {
		for _, h := range hands {
			if h.state.Need() == pour.NeedCup {
				h.does(pour.CupPlaced{Reading: 15 * gram.Gram})
			}
			h.does(h.poured(10 * gram.Gram))
		}
	}
	assert.LessOrEqual(t, s.cups.order.Len(), 3)
	assert.Len(t, s.cups.byID, s.cups.order.Len())
	for i, h := range hands {
		state, err := s.State(ctx, fmt.Sprintf("batch%d", i))
		require.NoError(t, err)
		assert.Equal(t, h.state, state)
	}
}

// The files as they lie on the disk at any moment are the book: power off loses nothing that was answered.
func TestPowerOff(t *testing.T) {
	path := filepath.Join(t.TempDir(), "book.db")
	s := openAt(t, path)
	h := newHand(t, s, "batch", plan(3))
	h.fills()
	torn := filepath.Join(t.TempDir(), "book.db")
	for _, end := range []string{"", "-wal"} {
		data, err := os.ReadFile(path + end)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(torn+end, data, 0o600))
	}
	state, err := openAt(t, torn).State(ctx, "batch")
	require.NoError(t, err)
	assert.Equal(t, h.state, state)
}

const killedBook = "POURBOOK_TEST_KILLED_BOOK"

// TestMain lets TestKilled run this program again as the one that is killed, and looks for what is left running.
func TestMain(m *testing.M) {
	if path := os.Getenv(killedBook); path != "" {
		pourUntilKilled(path)
		return
	}
	code := m.Run()
	if err := goleak.Find(); err != nil && code == 0 {
		fmt.Fprintln(os.Stderr, "a closed book leaves something running:", err)
		code = 1
	}
	os.Exit(code)
}

func pourUntilKilled(path string) {
	s, err := Open(path)
	if err != nil {
		panic(err)
	}
	var print sync.Mutex
	for n := range 4 {
		go func() {
			for b := 0; ; b++ {
				batch := fmt.Sprintf("%d-%d", n, b)
				h := &hand{store: s, batch: batch, device: "tablet"}
				said := func(state pour.State, err error) {
					if err != nil {
						panic(err)
					}
					h.state = state
					print.Lock()
					fmt.Println(batch, state.Seq, int64(state.Contents()))
					print.Unlock()
				}
				said(s.Plan(ctx, batch, h.command(plan(8))))
				said(s.Record(ctx, batch, h.command(pour.CupPlaced{Reading: 15 * gram.Gram})))
				for len(h.state.Todo) > 0 {
					said(s.Record(ctx, batch, h.command(h.poured(h.state.Todo[0].Aim))))
				}
			}
		}()
	}
	select {}
}

// A program that is killed in the middle of pouring leaves every event that it had answered, to the milligram, and no half event.
func TestKilled(t *testing.T) {
	path := filepath.Join(t.TempDir(), "book.db")
	child := exec.CommandContext(context.Background(), os.Args[0])
	child.Env = append(os.Environ(), killedBook+"="+path)
	out, err := child.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, child.Start())
	type answer struct {
		seq      int
		contents gram.Mass
	}
	answered := map[string]answer{}
	lines := bufio.NewScanner(out)
	for n := 0; lines.Scan(); n++ {
		var batch string
		var a answer
		var contents int64
		_, err := fmt.Sscan(lines.Text(), &batch, &a.seq, &contents)
		if n >= 300 {
			_ = child.Process.Kill() // and read what it had still said
			if err != nil {
				break
			}
		}
		require.NoError(t, err)
		a.contents = gram.Mass(contents)
		answered[batch] = a
	}
	_ = child.Wait() // it was killed
	require.Greater(t, len(answered), 4)

	s := openAt(t, path)
	for batch, a := range answered {
		events, err := s.Events(ctx, batch)
		require.NoError(t, err)
		require.GreaterOrEqual(t, len(events), a.seq, batch)
		state, err := pour.Fold(events[:a.seq])
		require.NoError(t, err)
		assert.Equal(t, a.contents, state.Contents(), batch)
	}
	found, err := s.Check(ctx)
	require.NoError(t, err)
	assert.Empty(t, found)
}
