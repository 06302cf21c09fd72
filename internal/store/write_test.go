package store

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/gram"
	"pourbook/internal/pour"
)

// together holds the writer up until every job is waiting, so that all of them go in one group.
func together(t *testing.T, s *Store, jobs ...func() error) []error {
	t.Helper()
	holding, release := make(chan struct{}), make(chan struct{})
	held := make(chan error, 1)
	go func() {
		held <- s.update(ctx, "hold", func(*tx) error { close(holding); <-release; return nil })
	}()
	<-holding
	errs := make([]error, len(jobs))
	done := make(chan struct{})
	for i, do := range jobs {
		waiting := len(s.write.jobs)
		go func() { errs[i] = do(); done <- struct{}{} }()
		for len(s.write.jobs) == waiting { // until it is in line, so that the order is the one given
		}
	}
	close(release)
	for range jobs {
		<-done
	}
	require.NoError(t, <-held)
	return errs
}

func TestOneBadJobDisturbsNoOther(t *testing.T) {
	s := openBook(t)
	h := newHand(t, s, "batch", plan(3))
	other := newHand(t, s, "other", plan(3))
	gone, cancel := context.WithCancel(ctx)
	cancel()
	wrong := errors.New("on purpose")
	add := func(name string) func() error {
		return func() error { _, err := s.SavePerson(ctx, Person{Name: name, Active: true}); return err }
	}
	errs := together(
		t, s,
		add("Ann"),
		func() error { // writes twice, then fails
			return s.update(ctx, "fail late", func(t *tx) error {
				if err := t.exec(`INSERT INTO person (name, name_key) VALUES ('Half', 'half')`); err != nil {
					return err
				}
				return t.exec(`INSERT INTO person (name, name_key) VALUES ('Half again', 'half')`)
			})
		},
		func() error {
			return s.update(ctx, "fail", func(t *tx) error {
				if err := t.exec(`DELETE FROM person`); err != nil {
					return err
				}
				return wrong
			})
		},
		func() error { return s.update(ctx, "panic", func(t *tx) error { panic("a slip") }) },
		func() error { return s.update(gone, "late", func(t *tx) error { return t.exec(`DELETE FROM person`) }) },
		func() error {
			_, err := s.Record(ctx, "batch", pour.Command{ID: "early", Seen: 1, Epoch: 1, Device: "tablet", Body: pour.Stirred{}})
			return err
		},
		func() error {
			_, err := s.Record(ctx, "batch", h.command(pour.CupPlaced{Reading: 15 * gram.Gram}))
			return err
		},
		func() error { // had not seen the cup: refused against what the same group wrote
			_, err := s.Record(ctx, "batch", pour.Command{ID: "twice", Seen: 1, Epoch: 1, Device: "tablet", Body: pour.CupPlaced{Reading: 15 * gram.Gram}})
			return err
		},
		func() error {
			_, err := s.Record(ctx, "other", other.command(pour.CupPlaced{Reading: 16 * gram.Gram}))
			return err
		},
		add("Bo"),
	)
	var refusal *pour.Refusal
	require.NoError(t, errs[0])
	require.Error(t, errs[1])
	require.ErrorIs(t, errs[2], wrong)
	require.ErrorContains(t, errs[3], "a slip")
	assert.NotEmpty(t, Sentence(errs[3]))
	require.ErrorIs(t, errs[4], context.Canceled)
	require.ErrorAs(t, errs[5], &refusal)
	assert.Equal(t, pour.NotNow, refusal.Reason)
	require.NoError(t, errs[6])
	require.ErrorAs(t, errs[7], &refusal)
	assert.Equal(t, pour.Stale, refusal.Reason)
	require.NoError(t, errs[8])
	require.NoError(t, errs[9])

	people, err := s.People(ctx)
	require.NoError(t, err)
	var names []string
	for _, p := range people {
		names = append(names, p.Name)
	}
	assert.Equal(t, []string{"Ann", "Bo"}, names)
	for batch, reading := range map[string]gram.Mass{"batch": 15 * gram.Gram, "other": 16 * gram.Gram} {
		state, err := s.State(ctx, batch)
		require.NoError(t, err)
		assert.Equal(t, 2, state.Seq)
		assert.Equal(t, reading, state.CupReading)
		kept, err := fold(ctx, s.read, batch)
		require.NoError(t, err)
		assert.Equal(t, kept.state, state)
	}
}

func TestDiskFull(t *testing.T) {
	s := openBook(t)
	h := newHand(t, s, "batch", plan(3))
	h.does(pour.CupPlaced{Reading: 15 * gram.Gram})
	limit := func(pages int) {
		t.Helper()
		var now int
		require.NoError(t, s.write.conn.QueryRowContext(ctx, fmt.Sprintf("PRAGMA max_page_count = %d", pages)).Scan(&now))
	}
	var pages int
	require.NoError(t, s.write.conn.QueryRowContext(ctx, "PRAGMA page_count").Scan(&pages))
	limit(pages) // SQLite's own SQLITE_FULL, as of a disk without room for one more page

	before := h.state
	cmd := h.command(h.poured(10 * gram.Gram))
	errs := together(
		t, s,
		func() error { _, err := s.Record(ctx, "batch", cmd); return err }, // fits where pages have room
		func() error {
			_, err := s.SavePhoto(ctx, append([]byte("\xff\xd8\xff"), make([]byte, 100_000)...))
			return err
		},
	)
	for i, err := range errs {
		require.ErrorIs(t, err, ErrFull, "%d", i)
		assert.Contains(t, Sentence(err), "disk is full")
	}
	state, err := s.State(ctx, "batch")
	require.NoError(t, err, "reads go on")
	assert.Equal(t, before, state, "the pour of the failed group is not shown")

	limit(1 << 30)
	h.state, err = s.Record(ctx, "batch", cmd)
	require.NoError(t, err, "the same tap again, now that there is room")
	h.does(h.poured(10 * gram.Gram))
	kept, err := fold(ctx, s.read, "batch")
	require.NoError(t, err)
	assert.Equal(t, kept.state, h.state)
	assert.Equal(t, 20*gram.Gram, h.state.Contents())
}

func TestBookThatCannotBeWritten(t *testing.T) {
	s := openBook(t)
	h := newHand(t, s, "batch", plan(3))
	_, err := s.write.conn.ExecContext(ctx, `PRAGMA query_only = 1`) // SQLITE_READONLY, as of a file without the right to write
	require.NoError(t, err)
	cmd := h.command(pour.CupPlaced{Reading: 15 * gram.Gram})
	_, err = s.Record(ctx, "batch", cmd)
	require.ErrorIs(t, err, ErrReadOnly)
	assert.Contains(t, Sentence(err), "cannot be written")
	state, err := s.State(ctx, "batch")
	require.NoError(t, err)
	assert.Equal(t, h.state, state)
	_, err = s.write.conn.ExecContext(ctx, `PRAGMA query_only = 0`)
	require.NoError(t, err)
	_, err = s.Record(ctx, "batch", cmd)
	require.NoError(t, err)
}

// After a failed commit nobody may trust what is in memory: the next use reads the file.
func TestFailedCommitEmptiesTheCache(t *testing.T) {
	s := openBook(t)
	h := newHand(t, s, "batch", plan(3))
	_, cached := s.cups.get("batch")
	require.True(t, cached)
	errs := together(
		t, s,
		func() error {
			_, err := s.Record(ctx, "batch", h.command(pour.CupPlaced{Reading: 15 * gram.Gram}))
			return err
		},
		func() error { // breaks the transaction under the others
			return s.update(ctx, "break", func(t *tx) error { return t.exec(`ROLLBACK`) })
		},
	)
	require.Error(t, errs[0])
	require.Error(t, errs[1])
	_, cached = s.cups.get("batch")
	assert.False(t, cached)
	state, err := s.State(ctx, "batch")
	require.NoError(t, err)
	assert.Equal(t, 1, state.Seq)
	h.state = state
	h.does(pour.CupPlaced{Reading: 15 * gram.Gram})
}

// A job that asked for no savepoint, wrote and then failed cannot be undone alone, so nothing of its group is kept.
func TestLightJobThatFailsLate(t *testing.T) {
	s := openBook(t)
	wrong := errors.New("on purpose")
	errs := together(
		t, s,
		func() error { _, err := s.SavePerson(ctx, Person{Name: "Ann"}); return err },
		func() error {
			return s.updateLightly(ctx, "fail late", func(t *tx) error {
				if err := t.exec(`INSERT INTO person (name, name_key) VALUES ('Half', 'half')`); err != nil {
					return err
				}
				return wrong
			})
		},
	)
	require.ErrorIs(t, errs[0], wrong)
	require.ErrorIs(t, errs[1], wrong)
	people, err := s.People(ctx)
	require.NoError(t, err)
	assert.Empty(t, people)
}
