package store

import (
	"crypto/sha256"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/formula"
	"pourbook/internal/people"
)

// accessBook is a book with an owner, a painter and a mixer in it, and a clock that stands still until it is set.
func accessBook(t *testing.T) (s *Store, now *time.Time, ids [3]int64) {
	t.Helper()
	at := noon
	now = &at
	s = openBook(t, WithClock(func() time.Time { return *now }))
	for i, p := range []Person{{Name: "Ann", Role: "owner", Active: true}, {Name: "Bea", Role: "painter", Active: true}, {Name: "Cem", Active: true}} {
		kept, err := s.SavePerson(ctx, p)
		require.NoError(t, err)
		ids[i] = kept.ID
	}
	return s, now, ids
}

func tablet(id string) Device {
	return Device{ID: id, Name: "Bench " + id, KeyHash: sha256.Sum256([]byte("key of " + id)), JoinedBy: "Ann"}
}

func TestTheLastOwnerWithAPINStays(t *testing.T) {
	s, _, ids := accessBook(t)
	ann := Person{ID: ids[0], Name: "Ann", Role: "owner", Active: true}
	painter, gone := ann, ann
	painter.Role, gone.Active = "painter", false

	_, err := s.SavePerson(ctx, painter)
	require.NoError(t, err, "a shop that is not locked has nothing to lose")
	_, err = s.SavePerson(ctx, ann)
	require.NoError(t, err)
	require.NoError(t, s.SetPIN(ctx, ann.ID, "hash"))
	for _, change := range []Person{painter, gone} {
		_, err := s.SavePerson(ctx, change)
		var ps formula.Problems
		require.ErrorAs(t, err, &ps)
		assert.Contains(t, ps.Error(), "the last owner with a PIN")
	}
	kept, err := s.Person(ctx, ann.ID)
	require.NoError(t, err)
	assert.Equal(t, ann, kept, "what was refused is undone")

	_, err = s.SavePerson(ctx, Person{ID: ids[1], Name: "Bea", Role: "owner", Active: true})
	require.NoError(t, err)
	require.NoError(t, s.SetPIN(ctx, ids[1], "hash"))
	_, err = s.SavePerson(ctx, gone)
	require.NoError(t, err, "there is another owner now")
}

func TestCodeLetsOneTabletIn(t *testing.T) {
	s, now, _ := accessBook(t)
	code := sha256.Sum256([]byte("code"))
	require.NoError(t, s.MakeJoinCode(ctx, code, "Ann", now.Add(5*time.Minute)))
	assert.ErrorIs(t, s.Join(ctx, sha256.Sum256([]byte("another")), tablet("a")), ErrNotFound)

	// Many tablets with the same code at once: one comes in.
	var in atomic.Int32
	var all sync.WaitGroup
	for _, id := range []string{"a", "b", "c", "d", "e", "f", "g", "h"} {
		all.Go(func() {
			if err := s.Join(ctx, code, tablet(id)); err == nil {
				in.Add(1)
			} else {
				assert.ErrorIs(t, err, ErrNotFound)
				assert.Contains(t, Sentence(err), "Ask an owner for a new one")
			}
		})
	}
	all.Wait()
	assert.EqualValues(t, 1, in.Load())
	a, err := s.Access(ctx)
	require.NoError(t, err)
	require.Len(t, a.Devices, 1)
	assert.Equal(t, "Ann", a.Devices[0].JoinedBy)

	require.NoError(t, s.MakeJoinCode(ctx, code, "Ann", now.Add(5*time.Minute)))
	*now = now.Add(5 * time.Minute)
	assert.ErrorIs(t, s.Join(ctx, code, tablet("late")), ErrNotFound, "its life is over")

	first, second := sha256.Sum256([]byte("first")), sha256.Sum256([]byte("second"))
	require.NoError(t, s.MakeJoinCode(ctx, first, "Ann", now.Add(time.Minute)))
	require.NoError(t, s.MakeJoinCode(ctx, second, "Ann", now.Add(time.Minute)))
	assert.ErrorIs(t, s.Join(ctx, first, tablet("i")), ErrNotFound, "a newer code replaces it")
	nameless := tablet("j")
	nameless.Name = " "
	var ps formula.Problems
	require.ErrorAs(t, s.Join(ctx, second, nameless), &ps)
	require.NoError(t, s.Join(ctx, second, tablet("j")), "a form that was refused does not spend the code")
}

func TestSessionsEndWhereTheyShould(t *testing.T) {
	s, now, ids := accessBook(t)
	for _, id := range ids {
		require.NoError(t, s.SetPIN(ctx, id, "hash"))
	}
	for _, id := range []string{"a", "b"} {
		require.NoError(t, s.AddDevice(ctx, tablet(id)))
	}
	signedIn := func() map[string]int64 { // who works where, and that sessions say the same
		a, err := s.Access(ctx)
		require.NoError(t, err)
		out := map[string]int64{}
		for _, d := range a.Devices {
			out[d.ID] = d.PersonID
		}
		return out
	}
	require.NoError(t, s.SignIn(ctx, "a", ids[0]))
	require.NoError(t, s.SignIn(ctx, "a", ids[2]))
	require.NoError(t, s.SignIn(ctx, "b", ids[2]))
	assert.Equal(t, map[string]int64{"a": ids[2], "b": ids[2]}, signedIn())
	*now = now.Add(time.Hour)
	require.NoError(t, s.Seen(ctx, "a", ids[2]))
	a, err := s.Access(ctx)
	require.NoError(t, err)
	require.Len(t, a.Sessions, 3)
	for _, one := range a.Sessions {
		assert.Equal(t, noon, one.OpenedAt)
		assert.Equal(t, one.Device == "a" && one.PersonID == ids[2], one.SeenAt.Equal(*now))
	}

	require.NoError(t, s.SetPIN(ctx, ids[2], "new hash"))
	assert.Equal(t, map[string]int64{"a": 0, "b": 0}, signedIn(), "a new PIN ends what was opened with the old one")
	require.NoError(t, s.SignIn(ctx, "a", ids[1]))
	_, err = s.SavePerson(ctx, Person{ID: ids[1], Name: "Bea", Role: "painter"})
	require.NoError(t, err)
	assert.Equal(t, map[string]int64{"a": 0, "b": 0}, signedIn(), "so does leaving the shop")
	assert.ErrorIs(t, s.SignIn(ctx, "a", ids[1]), ErrNotFound)

	require.NoError(t, s.SignIn(ctx, "a", ids[0]))
	require.NoError(t, s.SignOut(ctx, "a", ids[0]))
	assert.Equal(t, map[string]int64{"a": 0, "b": 0}, signedIn())
	require.NoError(t, s.SignIn(ctx, "b", ids[0]))
	require.NoError(t, s.Dismiss(ctx, "b"))
	assert.Equal(t, map[string]int64{"a": 0, "b": 0}, signedIn())
	assert.ErrorIs(t, s.SignIn(ctx, "b", ids[0]), ErrNotFound, "a tablet that was dismissed lets nobody in")
	assert.ErrorIs(t, s.SignIn(ctx, "nowhere", ids[0]), ErrNotFound)
	assert.ErrorIs(t, s.Dismiss(ctx, "nowhere"), ErrNotFound)
	assert.ErrorIs(t, s.SetPIN(ctx, 99, "hash"), ErrNotFound)
	_, err = s.PIN(ctx, 99)
	assert.ErrorIs(t, err, ErrNotFound)
}

func TestTriesAreCountedBeforeTheyAreJudged(t *testing.T) {
	s, now, _ := accessBook(t)
	limit := people.Limit{Free: 5, First: time.Minute, Most: 10 * time.Minute}
	trying := []Trying{{"person 1", limit}, {"device a", people.Limit{Free: 100, First: time.Minute, Most: time.Hour}}}
	var let atomic.Int32
	var all sync.WaitGroup
	for range 50 { // at once: no more are let through than one after another
		all.Go(func() {
			if wait, err := s.Charge(ctx, trying); assert.NoError(t, err) && wait == 0 {
				let.Add(1)
			}
		})
	}
	all.Wait()
	assert.EqualValues(t, 5, let.Load())
	wait, err := s.Charge(ctx, []Trying{{"person 2", limit}, trying[1]})
	require.NoError(t, err)
	assert.Zero(t, wait, "another person of the same tablet may still try")
	*now = now.Add(time.Minute)
	wait, err = s.Charge(ctx, trying)
	require.NoError(t, err)
	assert.Zero(t, wait)
	wait, err = s.Charge(ctx, trying)
	require.NoError(t, err)
	assert.Equal(t, 2*time.Minute, wait)
	require.NoError(t, s.Forgive(ctx, trying))
	wait, err = s.Charge(ctx, trying)
	require.NoError(t, err)
	assert.Zero(t, wait)

	*now = now.Add(25 * time.Hour)
	_, err = s.Charge(ctx, []Trying{{"address 192.0.2.7", limit}})
	require.NoError(t, err)
	var rows int
	require.NoError(t, s.read.QueryRowContext(ctx, `SELECT count(*) FROM tries`).Scan(&rows))
	assert.Equal(t, 1, rows, "old counts are let go, so the table stays small")
}
