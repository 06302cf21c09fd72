package bench

import (
	"fmt"
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/scale"
	"pourbook/internal/store"
)

// shop is a bench over a real book and a pretend scale that nobody reads.
type shop struct {
	*Bench
	t    *testing.T
	book *store.Store
}

func openShop(t *testing.T) shop {
	t.Helper()
	book, err := store.Open(filepath.Join(t.TempDir(), "book.db"))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, book.Close()) })
	device, err := scale.NewPretend(scale.PretendSetup{Balance: gram.Balance{Division: 100 * gram.Milligram}})
	require.NoError(t, err)
	return shop{New("bench", device, book, time.Now, slog.New(slog.DiscardHandler)), t, book}
}

func (s shop) plan(typed bool) pour.State {
	s.t.Helper()
	state, err := s.book.Plan(s.t.Context(), uuid.NewString(), pour.Command{ID: uuid.NewString(), Device: "tablet", By: "Ann", Body: pour.Planned{
		Title: "Garden gate", System: "Solvent base", Total: 50 * gram.Gram, Balance: s.Balance(), Typed: typed,
		Components: []pour.Component{{Key: "t1", Name: "Chalk", Role: formula.Solid, Goal: 50 * gram.Gram}},
		Steps:      []pour.Step{{No: 1, Key: "t1", Aim: 50 * gram.Gram, Tolerance: gram.Gram}},
	}})
	require.NoError(s.t, err)
	return state
}

// does taps, with a typed reading where the body needs one.
func (s shop) does(state pour.State, body pour.Body) (pour.State, error) {
	reading := 15 * gram.Gram
	return s.Do(s.t.Context(), state.Batch, Tap{
		Command: pour.Command{ID: uuid.NewString(), Seen: state.Decided, Epoch: state.Epoch, Device: "tablet", By: "Ann", Body: body}, Typed: &reading,
	})
}

func TestBatchesAreForgotten(t *testing.T) {
	s := openShop(t)
	for i := range 50 {
		state := s.plan(i%2 == 0)
		s.Bring(state)
		_, leave := s.Watch(state)
		if i%3 == 0 {
			_, err := s.does(state, pour.Abandoned{Why: "spilt"})
			require.NoError(t, err)
		}
		leave()
	}
	for range 50 {
		s.Bring(s.plan(false)) // and never looked at
	}
	assert.Len(t, s.cups, 1, "the one whose cup is on the scale")
	_, err := s.does(s.cups[s.active].state, pour.Abandoned{Why: "spilt"})
	require.NoError(t, err)
	assert.Empty(t, s.Active())
	assert.Empty(t, s.cups)
}

// The scale belongs to the batch whose cup is on it; batches whose readings are typed, and those that have ended, leave
// it alone.
func TestOtherBatchesLeaveTheScaleAlone(t *testing.T) {
	s := openShop(t)
	typed := s.plan(true)
	s.Bring(typed)
	assert.Empty(t, s.Active())
	_, err := s.does(typed, pour.CupPlaced{})
	require.NoError(t, err)
	assert.Empty(t, s.Active())

	ended, err := s.does(s.plan(true), pour.Abandoned{Why: "spilt"})
	require.NoError(t, err)
	s.Bring(ended)
	assert.Empty(t, s.Active())

	weighed := s.plan(false)
	s.Bring(weighed)
	s.Wait(weighed.Batch)
	other := s.plan(true)
	_, err = s.does(other, pour.CupPlaced{})
	require.NoError(t, err)
	assert.Equal(t, weighed.Batch, s.Active())
	assert.True(t, s.patience, "a tap on another cup does not end the wait on this one")
	_, err = s.does(weighed, pour.CupPlaced{})
	require.NoError(t, err)
	assert.False(t, s.patience, "one on this cup does")
}

// Planning a batch does not take the scale from a cup in mid-pour; saying that the new cup is on it does.
func TestPlanningLeavesTheScaleToWhoPours(t *testing.T) {
	s := openShop(t)
	first := s.plan(false)
	s.Offer(first)
	assert.Equal(t, first.Batch, s.Active())
	next := s.plan(false)
	s.Offer(next)
	assert.Equal(t, next.Batch, s.Active(), "the first cup was never put on")

	state, err := s.does(next, pour.CupPlaced{})
	require.NoError(t, err)
	reading := 30 * gram.Gram
	_, err = s.Do(t.Context(), state.Batch, Tap{Typed: &reading, Command: pour.Command{
		ID: uuid.NewString(), Seen: state.Decided, Epoch: 1, Device: "tablet", Body: pour.Poured{Step: 1, Attempt: 1, More: true},
	}})
	require.NoError(t, err)
	third := s.plan(false)
	s.Offer(third)
	assert.Equal(t, next.Batch, s.Active(), "there is paint in the cup on the scale")
	s.Bring(third)
	assert.Equal(t, third.Batch, s.Active())
}

// Where the bench has missed an event, a refusal tells it how the cup stands.
func TestRefusalBringsTheBenchUpToDate(t *testing.T) {
	s := openShop(t)
	old := s.plan(false)
	s.Bring(old)
	watcher, leave := s.Watch(old)
	defer leave()
	watcher.Next()
	now, err := s.book.Record(t.Context(), old.Batch, pour.Command{ID: uuid.NewString(), Seen: old.Decided, Epoch: 1, Device: "tablet", Body: pour.CupPlaced{Reading: 15 * gram.Gram}})
	require.NoError(t, err)
	_, err = s.does(old, pour.CupPlaced{})
	var refusal *pour.Refusal
	require.ErrorAs(t, err, &refusal)
	shown, _ := watcher.Next()
	require.NotNil(t, shown)
	assert.Equal(t, now.Seq, shown.Seq)
}

// A screen that opens with an event that is not published yet must not keep it from those that watch already.
func TestScreenThatIsAheadTellsTheOthers(t *testing.T) {
	s := openShop(t)
	old := s.plan(true)
	first, leave := s.Watch(old)
	defer leave()
	first.Next()
	now, err := s.book.Record(t.Context(), old.Batch, pour.Command{ID: uuid.NewString(), Seen: old.Decided, Epoch: 1, Device: "tablet", Body: pour.CupPlaced{Reading: 15 * gram.Gram}})
	require.NoError(t, err)
	second, leaveToo := s.Watch(now)
	defer leaveToo()
	s.Publish(now)
	for _, w := range []*Watcher{first, second} {
		shown, _ := w.Next()
		require.NotNil(t, shown)
		assert.Equal(t, now.Seq, shown.Seq)
		again, _ := w.Next()
		assert.Nil(t, again, "told once")
	}
}

// Reading numbers of two runs do not meet, and a script can hold them.
func TestReadingNumbersOfTwoRunsDiffer(t *testing.T) {
	const safe = 1<<53 - 1 // Number.MAX_SAFE_INTEGER, ECMA-262
	day := time.Date(2026, 3, 12, 9, 30, 0, 0, time.UTC)
	first, second := openShop(t), openShop(t)
	one := New("bench", first.scale, first.book, func() time.Time { return day }, first.log)
	two := New("bench", second.scale, second.book, func() time.Time { return day.Add(time.Millisecond) }, second.log)
	for n := range uint64(100) {
		one.take(scale.Reading{Serial: n + 1, Status: scale.OK})
		two.take(scale.Reading{Serial: n + 1, Status: scale.OK})
	}
	assert.Equal(t, one.last.Serial+1024, two.last.Serial)
	assert.Less(t, two.last.Serial, uint64(safe), fmt.Sprint(two.last.Serial))
	_, err := two.Do(t.Context(), second.plan(false).Batch, Tap{Command: pour.Command{ID: "x", Body: pour.CupPlaced{}}, Serial: one.last.Serial})
	var refusal *pour.Refusal
	require.ErrorAs(t, err, &refusal)
	assert.Equal(t, pour.Stale, refusal.Reason)
}
