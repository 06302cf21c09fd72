package main

import (
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/url"
	"path/filepath"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/scale"
	"pourbook/internal/store"
)

// typedShop is a book with eightToners, served with typed readings.
type typedShop struct {
	t       *testing.T
	book    *store.Store
	formula int64
	url     string
}

func openTyped(t *testing.T) typedShop {
	t.Helper()
	path, formulaID := eightBook(t)
	book, err := store.Open(path)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, book.Close()) })
	return typedShop{t, book, formulaID, startServing(t, book, nil).url}
}

func (s typedShop) state(batch string) pour.State {
	s.t.Helper()
	state, err := s.book.State(s.t.Context(), batch)
	require.NoError(s.t, err)
	return state
}

func (s typedShop) events(batch string) []pour.Event {
	s.t.Helper()
	events, err := s.book.Events(s.t.Context(), batch)
	require.NoError(s.t, err)
	return events
}

// started is a batch with its cup on the scale.
func (s typedShop) started(c *client) string {
	s.t.Helper()
	batch := c.mix(s.formula, true)
	require.Equal(s.t, http.StatusOK, c.tap(s.state(batch), typedTaps()[0]).Status)
	return batch
}

func TestSameTapIsBookedOnce(t *testing.T) {
	s := openTyped(t)
	c := newClient(t, s.url)
	batch := c.mix(s.formula, true)
	for i, form := range typedTaps() {
		full := seen(s.state(batch), form)
		first := c.must("/batch/"+batch+"/tap", full)
		require.Equal(t, http.StatusOK, first.Status, "%+v", first)
		require.Equal(t, i+2, first.Seq)
		again := c.must("/batch/"+batch+"/tap", full)
		assert.Equal(t, first, again, "%v", form)
	}
	assert.Len(t, s.events(batch), 1+len(typedTaps()))
}

func TestSameNameForAnotherTapIsRefused(t *testing.T) {
	s := openTyped(t)
	c := newClient(t, s.url)
	batch, other := s.started(c), s.started(c)
	first := seen(s.state(batch), typedTaps()[1])
	require.Equal(t, http.StatusOK, c.must("/batch/"+batch+"/tap", first).Status)
	before, elsewhere := s.state(batch), s.state(other)

	for name, change := range map[string]func(url.Values){
		"another reading": func(f url.Values) { f.Set("typed", "161") },
		"another step":    func(f url.Values) { f.Set("step", "2") },
		"another lot":     func(f url.Values) { f.Set("lot", "L-7") },
		"another action":  func(f url.Values) { f.Set("action", "stirred") },
		"an empty tin":    func(f url.Values) { f.Set("action", "tin_empty") },
	} {
		form := url.Values{}
		for k, v := range first {
			form[k] = []string{v[0]}
		}
		change(form)
		said := c.must("/batch/"+batch+"/tap", form)
		assert.Equal(t, http.StatusConflict, said.Status, name)
		assert.NotEmpty(t, said.Problem, name)
	}
	said := c.must("/batch/"+other+"/tap", first)
	assert.Equal(t, http.StatusConflict, said.Status, "the same name in another batch")
	assert.Equal(t, before, s.state(batch))
	assert.Equal(t, elsewhere, s.state(other))
}

// A decision is worked out from the cup as it stands. Sent again because its answer was lost, it finds a cup that has
// it already; that used to be called a way that is no longer open.
func TestSameDecisionIsMadeOnce(t *testing.T) {
	for _, choice := range []pour.Choice{pour.CarryOn, pour.Exact, pour.StartAgain} {
		t.Run(string(choice), func(t *testing.T) {
			s := openTyped(t)
			c := newClient(t, s.url)
			batch := s.started(c)
			over := typedTaps()[1]
			over.Set("typed", "190") // 30 g too much
			require.Equal(t, http.StatusOK, c.tap(s.state(batch), over).Status)
			require.Equal(t, pour.NeedChoice, s.state(batch).Need())

			full := seen(s.state(batch), url.Values{"action": {"correct"}, "choice": {string(choice)}})
			first := c.must("/batch/"+batch+"/tap", full)
			require.Equal(t, http.StatusOK, first.Status, "%+v", first)
			events := s.events(batch)
			assert.Equal(t, first, c.must("/batch/"+batch+"/tap", full))
			assert.Equal(t, events, s.events(batch))

			full.Set("choice", string(pour.FitCup))
			said := c.must("/batch/"+batch+"/tap", full)
			assert.Equal(t, http.StatusConflict, said.Status, "the same name for another way")
			assert.NotEmpty(t, said.Problem)
			assert.Equal(t, events, s.events(batch))
		})
	}
}

func TestSameWrongTonerAndTintAreBookedOnce(t *testing.T) {
	s := openTyped(t)
	c := newClient(t, s.url)
	batch := s.started(c)
	once := func(form url.Values) {
		t.Helper()
		require.Equal(t, http.StatusOK, c.tap(s.state(batch), form).Status)
	}
	twice := func(form, other url.Values) {
		t.Helper()
		full := seen(s.state(batch), form)
		first := c.must("/batch/"+batch+"/tap", full)
		require.Equal(t, http.StatusOK, first.Status, "%+v", first)
		events := s.events(batch)
		assert.Equal(t, first, c.must("/batch/"+batch+"/tap", full), "%v", form)
		for k, v := range other {
			full[k] = v
		}
		said := c.must("/batch/"+batch+"/tap", full)
		assert.GreaterOrEqual(t, said.Status, http.StatusConflict, "%v after %v", other, form)
		assert.NotEmpty(t, said.Problem)
		assert.Equal(t, events, s.events(batch))
	}
	toner := func(i int) string { return strconv.FormatInt(s.state(batch).Components[i].TonerID, 10) }

	once(typedTaps()[1])
	twice(url.Values{"action": {"wrong"}, "toner": {toner(7)}}, url.Values{"toner": {toner(6)}})
	require.Equal(t, pour.NeedChoice, s.state(batch).Need())
	twice(url.Values{"action": {"take_back"}, "event": {s.events(batch)[3].ID}}, url.Values{"event": {s.events(batch)[2].ID}})
	require.Equal(t, pour.NeedPour, s.state(batch).Need())
	for _, form := range typedTaps()[2:10] {
		once(form)
	}
	require.Equal(t, pour.NeedNext, s.state(batch).Need())
	twice(url.Values{"action": {"tint"}, "toner": {toner(3), toner(5), ""}, "grams": {"2", "1.5", ""}}, url.Values{"grams": {"2", "1.6", ""}})
	require.Equal(t, pour.NeedPour, s.state(batch).Need())
}

func TestStaleTapIsRefused(t *testing.T) {
	s := openTyped(t)
	c := newClient(t, s.url)
	batch := s.started(c)
	old := s.state(batch)
	require.Equal(t, http.StatusOK, c.tap(old, typedTaps()[1]).Status)
	now := s.state(batch)
	for name, form := range map[string]url.Values{
		"the same pour, another tap": typedTaps()[1],
		"the next pour, unseen":      typedTaps()[2],
		"a choice":                   {"action": {"correct"}, "choice": {"exact"}},
		"giving up":                  {"action": {"give_up"}, "why": {"spilt"}},
	} {
		said := c.tap(old, form)
		assert.Equal(t, http.StatusConflict, said.Status, name)
		assert.Regexp(t, `^[A-Z].*\.$`, said.Problem, name)
	}
	ahead := old
	ahead.Decided = now.Seq + 5
	assert.Equal(t, http.StatusConflict, c.tap(ahead, typedTaps()[2]).Status, "a sequence that is yet to come")
	for _, bad := range []string{"", "x", "-3", "99999999999999999999"} {
		form := seen(now, typedTaps()[2])
		form.Set("seen", bad)
		assert.Equal(t, http.StatusConflict, c.must("/batch/"+batch+"/tap", form).Status, "seen %q", bad)
	}
	assert.Equal(t, now, s.state(batch), "nothing was booked")
}

func TestOneTabletPours(t *testing.T) {
	s := openTyped(t)
	ann, ben := newClient(t, s.url), newClient(t, s.url)
	for c, name := range map[*client]string{ann: "Ann", ben: "Ben"} {
		require.Equal(t, http.StatusSeeOther, c.must("/who", url.Values{"name": {name}}).Status)
	}
	batch := s.started(ann)
	before := s.state(batch)

	said := ben.tap(before, typedTaps()[1])
	assert.Equal(t, http.StatusConflict, said.Status, "the second tablet only watches")
	assert.Contains(t, said.Problem, "Ann is pouring")
	assert.Equal(t, before, s.state(batch))

	queued := seen(before, typedTaps()[1]) // Ann's tablet was off the network with this tap in hand
	require.Equal(t, http.StatusOK, ben.tap(before, url.Values{"action": {"take_over"}}).Status)
	taken := s.state(batch)
	require.Equal(t, before.Epoch+1, taken.Epoch)
	require.NotEqual(t, before.Holder, taken.Holder)

	said = ann.must("/batch/"+batch+"/tap", queued)
	assert.Equal(t, http.StatusConflict, said.Status, "a tap of an older epoch")
	assert.Contains(t, said.Problem, "Ben has taken over")
	queued.Set("seen", strconv.Itoa(taken.Decided))
	assert.Equal(t, http.StatusConflict, ann.must("/batch/"+batch+"/tap", queued).Status, "of an older epoch, though it has seen the newest cup")
	said = ann.tap(taken, typedTaps()[1])
	assert.Equal(t, http.StatusConflict, said.Status, "Ann only watches now")
	assert.Contains(t, said.Problem, "Ben is pouring")
	later := taken
	later.Epoch++
	assert.Equal(t, http.StatusConflict, ben.tap(later, typedTaps()[1]).Status, "an epoch that is yet to come")
	assert.Equal(t, taken, s.state(batch), "nothing of it was applied")

	require.Equal(t, http.StatusOK, ben.tap(taken, typedTaps()[1]).Status)
	require.Equal(t, http.StatusOK, ann.tap(s.state(batch), url.Values{"action": {"take_over"}}).Status)
	assert.Equal(t, http.StatusOK, ann.tap(s.state(batch), typedTaps()[2]).Status, "and back")
}

// Many tablets press at once: one of them takes over, and one pour is booked.
func TestManyTapsAtOnce(t *testing.T) {
	s := openTyped(t)
	c := newClient(t, s.url)
	batch := s.started(c)
	for step := 1; step <= len(eightGrams); step++ {
		before := s.state(batch)
		var work sync.WaitGroup
		statuses := make(chan int, 16)
		for range cap(statuses) {
			form := seen(before, typedTaps()[step])
			work.Go(func() {
				said, err := c.post("/batch/"+batch+"/tap", form)
				assert.NoError(t, err)
				statuses <- said.Status
			})
		}
		work.Wait()
		close(statuses)
		counts := map[int]int{}
		for status := range statuses {
			counts[status]++
		}
		assert.Equal(t, map[int]int{http.StatusOK: 1, http.StatusConflict: 15}, counts, "step %d", step)
	}
	assert.Equal(t, eightTotal*gram.Gram, s.state(batch).Contents())
	assertOnePourEach(t, s.events(batch))
}

// assertOnePourEach holds that no step and attempt was booked twice.
func assertOnePourEach(t *testing.T, events []pour.Event) {
	t.Helper()
	booked := map[string]int{}
	for _, e := range events {
		if p, ok := e.Body.(pour.Poured); ok {
			booked[fmt.Sprintf("step %d attempt %d", p.Step, p.Attempt)]++
		}
	}
	for which, n := range booked {
		assert.Equal(t, 1, n, which)
	}
	assert.Len(t, booked, len(eightGrams))
}

// A mixer taps "next" at the very moment at which the bench accepts the reading by itself. Either may be the quicker,
// and the pour is booked once.
func TestTapAndAcceptanceAtOnce(t *testing.T) {
	auto, tapped := 0, 0
	for round := range 2 {
		book, err := store.Open(filepath.Join(t.TempDir(), "book.db"))
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, book.Close()) })
		formulaID := eightToners(t, book)
		device, err := scale.NewPretend(scale.PretendSetup{
			Balance: gram.Balance{Division: 100 * gram.Milligram, Max: 7500 * gram.Gram}, Hand: scale.Sure(), Seed: uint64(round), Speed: 40,
		})
		require.NoError(t, err)
		c := newClient(t, startServing(t, book, device).url)
		a, b := raceThroughOneCup(t, c, book, device, formulaID, uint64(round))
		auto, tapped = auto+a, tapped+b
	}
	t.Logf("%d pours accepted standing still, %d tapped", auto, tapped)
	assert.Positive(t, auto, "the bench was never the quicker: the test shows nothing")
	assert.Positive(t, tapped, "the hand was never the quicker: the test shows nothing")
}

func raceThroughOneCup(t *testing.T, c *client, book *store.Store, device *scale.Pretend, formulaID int64, seed uint64) (auto, tapped int) {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 3))
	batch := c.mix(formulaID, false)
	view := c.follow(batch)
	state := func() pour.State {
		s, err := book.State(t.Context(), batch)
		require.NoError(t, err)
		return s
	}
	require.NoError(t, device.Place(eightCup*gram.Gram))
	settled := func(reads string) func() bool {
		return func() bool { l := view.live(); return !l.Moving && l.Serial > 0 && l.Reads == reads }
	}
	waitUntil(t, "the cup stands still", settled("40.0"))
	require.Equal(t, http.StatusOK, c.tap(state(), url.Values{"action": {"cup"}, "cup": {"1400 ml cup"}, "serial": {fmt.Sprint(view.live().Serial)}}).Status)
	for range eightGrams {
		before := state()
		step, ok := before.Open()
		require.True(t, ok)
		require.NoError(t, device.Pour(before.Stop()-device.True()))
		// Once the reading counts down to its acceptance, taps go out around the moment at which it ends.
		waitUntil(t, "the acceptance is under way or done", func() bool { return view.live().Grace > 0 || state().Decided > before.Decided })
		time.Sleep(time.Duration(r.IntN(int(5*time.Second)/40)) + 10*time.Millisecond)
		var work sync.WaitGroup
		for range 6 {
			form := seen(before, url.Values{"action": {"pour"}, "step": {strconv.Itoa(step.No)}, "attempt": {"1"}, "serial": {fmt.Sprint(view.live().Serial)}})
			work.Go(func() {
				said, err := c.post("/batch/"+batch+"/tap", form)
				if assert.NoError(t, err) && said.Status != http.StatusOK {
					assert.Equal(t, http.StatusConflict, said.Status)
					assert.Regexp(t, `^[A-Z].*\.$`, said.Problem)
				}
			})
			time.Sleep(time.Duration(r.IntN(3)) * time.Millisecond)
		}
		work.Wait()
		waitUntil(t, "the step is booked", func() bool { return state().Decided > before.Decided })
	}
	events, err := book.Events(t.Context(), batch)
	require.NoError(t, err)
	assertOnePourEach(t, events)
	for _, e := range events {
		if p, ok := e.Body.(pour.Poured); ok && p.Auto {
			auto++
		} else if ok {
			tapped++
		}
	}
	end := state()
	require.Equal(t, pour.NeedStir, end.Need())
	assert.Equal(t, device.True().Round(100*gram.Milligram)-eightCup*gram.Gram, end.Contents(), "what the book says is what is in the cup")
	for i, m := range end.In {
		assert.InDelta(t, eightGrams[i], m.Grams(), 0.3, "%s", end.Components[i].Name)
	}
	return auto, tapped
}
