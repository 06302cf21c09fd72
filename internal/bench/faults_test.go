package bench

import (
	"context"
	"errors"
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

const tenth = 100 * gram.Milligram

// rig is a bench with a pretend scale on a clock that only readings move on, and a real book. It takes every reading and
// records what the bench decides in one goroutine, so that a run is the same every time.
type rig struct {
	*Bench
	t      *testing.T
	device *scale.Pretend
	clock  *scale.Stepped
	batch  string
	worth  map[pour.Key]gram.Mass // what really fell into the cup of each toner
}

// newRig puts a cup of 15 g on the scale of a batch of 50 g of Chalk, then 5 g of Slate, then 20 g of Fern.
func newRig(t *testing.T) *rig {
	t.Helper()
	clock := scale.NewStepped(time.Date(2026, 3, 12, 9, 30, 0, 0, time.UTC))
	book, err := store.Open(filepath.Join(t.TempDir(), "book.db"), store.WithClock(clock.Now))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, book.Close()) })
	device, err := scale.NewPretend(scale.PretendSetup{Balance: gram.Balance{Division: tenth, Max: 3 * gram.Kilogram}, Clock: clock, Seed: 3})
	require.NoError(t, err)
	r := &rig{Bench: New("bench", device, book, clock.Now, slog.New(slog.DiscardHandler)), t: t, device: device, clock: clock, worth: map[pour.Key]gram.Mass{}}
	component := func(key pour.Key, name string, grams float64) pour.Component {
		return pour.Component{Key: key, Name: name, Role: formula.Solid, Goal: gram.Of(grams)}
	}
	state, err := book.Plan(t.Context(), uuid.NewString(), pour.Command{ID: uuid.NewString(), Device: "tablet", By: "Ann", Body: pour.Planned{
		Title: "Garden gate", System: "Solvent base", Total: 75 * gram.Gram, Balance: r.Balance(),
		Components: []pour.Component{component("t1", "Chalk", 50), component("t2", "Slate", 5), component("t3", "Fern", 20)},
		Steps: []pour.Step{
			{No: 1, Key: "t1", Aim: 50 * gram.Gram, Tolerance: gram.Gram},
			{No: 2, Key: "t2", Aim: 5 * gram.Gram, Tolerance: 2 * tenth},
			{No: 3, Key: "t3", Aim: 20 * gram.Gram, Tolerance: 4 * tenth},
		},
	}})
	require.NoError(t, err)
	r.batch = state.Batch
	r.Bring(state)
	require.NoError(t, device.Place(15*gram.Gram))
	r.run(2 * time.Second)
	r.tap(pour.CupPlaced{})
	return r
}

// run takes readings for a while of the world's time.
func (r *rig) run(d time.Duration) {
	r.t.Helper()
	r.until(func() bool { return false }, d)
}

// until takes readings until something is so, for limit at most, and reports whether it came about.
func (r *rig) until(so func() bool, limit time.Duration) bool {
	r.t.Helper()
	ctx, stop := context.WithCancel(r.t.Context())
	defer stop()
	end, came := r.clock.Now().Add(limit), false
	err := r.device.Read(ctx, func(reading scale.Reading) {
		r.take(reading)
		r.settleTasks()
		came = so()
		if came || !r.clock.Now().Before(end) {
			stop()
		}
	})
	if errors.Is(err, scale.ErrGone) {
		r.setLost(true)
		require.NoError(r.t, r.clock.Sleep(r.t.Context(), end.Sub(r.clock.Now())))
		return came
	}
	require.ErrorIs(r.t, err, context.Canceled)
	return came
}

// settleTasks does what Bench.work does, here and now.
func (r *rig) settleTasks() {
	for len(r.tasks) > 0 {
		task := <-r.tasks
		state, err := r.recorder.Record(r.t.Context(), task.batch, task.cmd)
		require.NoError(r.t, err)
		r.mu.Lock()
		r.waiting = false
		if _, ok := task.cmd.Body.(pour.Poured); ok {
			r.Bench.accepted, r.patience, r.drip = r.last.At, false, false
		}
		r.mu.Unlock()
		r.Publish(state)
	}
}

func (r *rig) state() pour.State { return r.cups[r.batch].state }

func (r *rig) live() *Live { return r.Look(r.batch) }

func (r *rig) try(t Tap) error {
	s := r.state()
	t.Command = pour.Command{ID: uuid.NewString(), Seen: s.Decided, Epoch: s.Epoch, Device: "tablet", By: "Ann", At: r.clock.Now(), Body: t.Body}
	t.Serial = r.last.Serial
	_, err := r.Do(r.t.Context(), r.batch, t)
	return err
}

func (r *rig) tap(b pour.Body) {
	r.t.Helper()
	require.NoError(r.t, r.try(Tap{Command: pour.Command{Body: b}}))
}

// pours lets the hand pour grams and waits until it has stopped. What fell is kept for the reckoning.
func (r *rig) pours(grams float64) {
	r.t.Helper()
	step, ok := r.state().Open()
	require.True(r.t, ok)
	before := r.device.True()
	require.NoError(r.t, r.device.Pour(gram.Of(grams)))
	require.True(r.t, r.until(func() bool { return !r.device.Pouring() }, time.Minute))
	r.worth[step.Key] += r.device.True() - before
}

// asks waits for a question and returns it.
func (r *rig) asks(kind QuestionKind) *Ask {
	r.t.Helper()
	if !assert.True(r.t, r.until(func() bool { return r.live().Ask != nil && r.live().Ask.Kind == kind }, 20*time.Second), "no question about %s", kind) {
		r.t.Fatalf("it shows %+v, guard %+v", r.live(), r.guard.question)
	}
	return r.live().Ask
}

func (r *rig) answers(kind QuestionKind, cause pour.Cause) {
	r.t.Helper()
	r.says(kind, pour.Found{Cause: cause})
}

func (r *rig) says(kind QuestionKind, f pour.Found) {
	r.t.Helper()
	a := r.asks(kind)
	offered := false
	for _, answer := range a.Answers {
		offered = offered || answer.Cause == f.Cause
	}
	require.True(r.t, offered, "%q does not offer %s", a.Say, f.Cause)
	if f.Cause == CausePaint || f.Cause == CauseBack {
		require.True(r.t, r.Explain(r.batch, a.No, f.Cause))
		return
	}
	require.NoError(r.t, r.try(Tap{Command: pour.Command{Body: f}, Asked: a.No}))
	require.Nil(r.t, r.live().Ask, "answered")
}

// booked waits until so many pours are accepted by themselves.
func (r *rig) booked(pours int) {
	r.t.Helper()
	if !r.until(func() bool { return len(r.state().Done) >= pours }, 30*time.Second) {
		r.t.Fatalf("%d pours are booked, not %d: it shows %+v, ask %+v", len(r.state().Done), pours, r.live(), r.live().Ask)
	}
}

// waits makes sure that nothing is booked for a while.
func (r *rig) waits(d time.Duration) {
	r.t.Helper()
	before := len(r.state().Done)
	r.run(d)
	require.Len(r.t, r.state().Done, before, "booked by itself")
}

// finish pours what is left and checks every toner against what really fell. A reading is rounded to the division, and
// a pour is the difference of two.
func (r *rig) finish() pour.State {
	r.t.Helper()
	for range 5 {
		step, ok := r.state().Open()
		if !ok {
			break
		}
		if left := step.Aim - r.live().Net; left > 0 {
			r.pours(left.Grams())
		}
		r.booked(len(r.state().Done) + 1)
	}
	s := r.state()
	require.Equal(r.t, pour.NeedStir, s.Need(), "over: %+v", s.Over)
	for key, fell := range r.worth {
		assert.LessOrEqual(r.t, (s.In[s.Index(key)] - fell).Abs(), tenth, "%s: booked %v, fell %v", key, s.In[s.Index(key)], fell)
	}
	assert.Equal(r.t, s.Last-s.CupReading, s.Contents())
	return s
}

// Every fault of a bench: it is recognised, asked about where it has to be, and the batch ends with what really fell.
func TestFaultsOfABench(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(*rig)
	}{
		{"none", func(*rig) {}},
		{"the cup is lifted in mid-pour and put back", func(r *rig) {
			r.pours(20)
			r.run(3 * time.Second)
			require.NoError(r.t, r.device.Lift())
			assert.Contains(r.t, r.asks(AskZeroed).Say, "If the cup is off, put it back")
			r.waits(10 * time.Second)
			require.NoError(r.t, r.device.Return())
			require.True(r.t, r.until(func() bool { return r.live().Ask == nil }, 5*time.Second), "it answers itself")
		}},
		{"the cup is lifted with a tared display", func(r *rig) {
			r.pours(20)
			r.run(3 * time.Second)
			r.device.Zero()
			r.answers(AskZeroed, pour.CauseDisplay)
			require.NoError(r.t, r.device.Lift())
			r.asks(AskAway)
			require.NoError(r.t, r.device.Return())
			require.True(r.t, r.until(func() bool { return r.live().Ask == nil }, 5*time.Second))
		}},
		{"tare is pressed in mid-pour and the mixer pours on", func(r *rig) {
			r.pours(20)
			r.run(3 * time.Second)
			r.device.Zero()
			assert.Contains(r.t, r.asks(AskZeroed).Say, "as when tare is pressed")
			r.pours(12) // it is said only afterwards
			r.run(3 * time.Second)
			r.answers(AskZeroed, pour.CauseDisplay)
			assert.InDelta(r.t, 32, r.live().Net.Grams(), 0.2)
		}},
		{"tare is pressed while the cup is off", func(r *rig) {
			r.pours(20)
			r.run(3 * time.Second)
			r.device.Zero()
			r.answers(AskZeroed, pour.CauseDisplay)
			require.NoError(r.t, r.device.Lift())
			r.asks(AskAway)
			r.device.Zero()
			r.run(3 * time.Second)
			require.NoError(r.t, r.device.Return())
			r.answers(AskHeavier, pour.CauseDisplay)
		}},
		{"the old button for a zeroed display keeps what came in after the fall", func(r *rig) {
			r.pours(20)
			r.run(3 * time.Second)
			r.device.Zero()
			r.asks(AskZeroed)
			r.pours(12)
			r.run(3 * time.Second)
			r.tap(pour.Rezeroed{})
			assert.InDelta(r.t, 32, r.live().Net.Grams(), 0.2)
			var refusal *pour.Refusal
			require.ErrorAs(r.t, r.try(Tap{Command: pour.Command{Body: pour.Rezeroed{}}}), &refusal, "the display has not moved again")
		}},
		{"the cup is lifted before the reading has settled, and comes back with a stick", func(r *rig) {
			r.pours(20)
			require.NoError(r.t, r.device.Lift())
			r.asks(AskZeroed)
			require.NoError(r.t, r.device.Return())
			require.NoError(r.t, r.device.Add(gram.Of(7.2)))
			a := r.asks(AskHeavier)
			require.Len(r.t, a.Answers, 1, "nobody can tell the stick from the paint: %q", a.Say)
			require.NoError(r.t, r.device.Remove(gram.Of(7.2)))
			r.run(3 * time.Second)
			r.answers(AskHeavier, CausePaint)
		}},
		{"the cup is lifted before the reading has settled", func(r *rig) {
			r.pours(20)
			require.NoError(r.t, r.device.Lift())
			r.asks(AskZeroed)
			require.NoError(r.t, r.device.Return())
			r.answers(AskHeavier, CausePaint)
		}},
		{"a stick comes back with the cup", func(r *rig) {
			r.pours(20)
			r.run(3 * time.Second)
			require.NoError(r.t, r.device.Lift())
			r.asks(AskZeroed)
			require.NoError(r.t, r.device.Return())
			require.NoError(r.t, r.device.Add(gram.Of(7.2)))
			r.answers(AskHeavier, pour.CauseObject)
			r.pours(10)
			r.run(3 * time.Second)
			require.NoError(r.t, r.device.Remove(gram.Of(7.2)))
			r.answers(AskLighter, pour.CauseObject)
		}},
		{"a stick dropped in would bring it to the mark", func(r *rig) {
			r.pours(42.8)
			r.run(3 * time.Second)
			require.NoError(r.t, r.device.Add(gram.Of(7.2)))
			assert.Contains(r.t, r.asks(AskHeavier).Say, "7.2 g")
			r.waits(10 * time.Second) // 50.0 g stand there, and are not 50 g of Chalk
			var refusal *pour.Refusal
			step, _ := r.state().Open()
			require.ErrorAs(r.t, r.try(Tap{Command: pour.Command{Body: pour.Poured{Step: step.No, Attempt: 1}}}), &refusal)
			assert.Contains(r.t, refusal.Sentence, "Say first what changed")
			require.NoError(r.t, r.device.Remove(gram.Of(7.2)))
			require.True(r.t, r.until(func() bool { return r.live().Ask == nil }, 5*time.Second), "out again, and no more is asked")
		}},
		{"the cup comes back as another one", func(r *rig) {
			r.pours(20)
			r.run(3 * time.Second)
			r.settleHeld()
			require.NoError(r.t, r.device.Lift())
			r.asks(AskZeroed)
			require.NoError(r.t, r.device.Return())
			require.NoError(r.t, r.device.Add(gram.Of(12))) // 12 g heavier, and none of it clings
			r.says(AskHeavier, pour.Found{Cause: pour.CauseCup, Cup: &pour.Cup{Name: "bucket", Brim: 1000}})
			assert.Equal(r.t, "bucket", r.state().Cup.Name)
		}},
		{"unplugged while the mixer pours on", func(r *rig) {
			r.pours(20)
			r.run(3 * time.Second)
			r.device.Unplug()
			r.run(time.Second)
			require.True(r.t, r.live().Lost)
			before := r.device.True()
			require.NoError(r.t, r.device.Pour(gram.Of(12)))
			require.NoError(r.t, r.clock.Sleep(r.t.Context(), 30*time.Second))
			r.worth["t1"] += r.device.True() - before
			r.device.Plug()
			assert.Contains(r.t, r.asks(AskHeavier).Answers[0].Label, "It is Chalk")
			r.answers(AskHeavier, CausePaint)
		}},
		{"unplugged and nothing else", func(r *rig) {
			r.pours(20)
			r.run(3 * time.Second)
			r.device.Unplug()
			r.run(20 * time.Second)
			r.device.Plug()
			r.run(3 * time.Second)
			require.Nil(r.t, r.live().Ask)
		}},
		{"switched to ounces", func(r *rig) {
			r.pours(20)
			r.run(3 * time.Second)
			r.device.Ounces(true)
			r.pours(30)
			assert.Contains(r.t, r.live().Trouble, "does not show grams")
			r.waits(10 * time.Second) // at its mark, in ounces
			r.device.Ounces(false)
			r.answers(AskHeavier, CausePaint)
		}},
		{"asleep", func(r *rig) {
			r.pours(20)
			r.run(3 * time.Second)
			r.device.Sleep()
			r.run(5 * time.Second)
			assert.Contains(r.t, r.live().Trouble, "asleep")
			r.device.Ounces(false) // any key wakes it
			r.run(3 * time.Second)
			require.Nil(r.t, r.live().Ask)
		}},
		{"the fan shakes the bench while the last of it goes in", func(r *rig) {
			require.NoError(r.t, r.device.Draught(3))
			r.pours(50)
			require.True(r.t, r.until(func() bool { return r.live().Middle }, 30*time.Second))
			assert.Contains(r.t, r.live().Trouble, "The bench shakes")
			r.waits(10 * time.Second)
			require.True(r.t, r.until(func() bool { return r.live().Middle }, 30*time.Second))
			step, _ := r.state().Open()
			require.NoError(r.t, r.try(Tap{Command: pour.Command{Body: pour.Poured{Step: step.No, Attempt: 1}}, Middle: true}))
			require.NoError(r.t, r.device.Draught(0))
			r.run(3 * time.Second)
		}},
		{"solvent goes off over lunch", func(r *rig) {
			r.pours(50)
			r.booked(1)
			for range 12 {
				require.NoError(r.t, r.device.Remove(gram.Of(0.1)))
				r.run(5 * time.Minute)
			}
			r.answers(AskLighter, pour.CauseSolvent)
			assert.InDelta(r.t, 1.2, r.state().GoneOff.Grams(), 0.11)
		}},
		{"the zero drifts upwards before anything is poured", func(r *rig) {
			r.pours(50)
			r.booked(1)
			for range 4 {
				require.NoError(r.t, r.device.Add(gram.Of(0.1)))
				r.quietly(time.Minute)
			}
			assert.Contains(r.t, r.asks(AskHeavier).Say, "so slowly")
			r.answers(AskHeavier, pour.CauseDisplay)
		}},
		{"a very slow drip below the target", func(r *rig) {
			r.pours(49.4)
			before := r.device.True()
			for range 4 {
				r.waits(10 * time.Second)
				require.NoError(r.t, r.device.Add(gram.Of(0.1)))
			}
			r.worth["t1"] += r.device.True() - before
			require.Nil(r.t, r.live().Ask)
		}},
		{"an old tin drips late", func(r *rig) {
			r.pours(50)
			r.booked(1)
			r.run(time.Second)
			require.NoError(r.t, r.device.Add(gram.Of(0.3)))
			require.True(r.t, r.until(func() bool { return r.live().Drip }, 3*time.Second), "still Chalk?")
			r.run(20 * time.Second)
			require.True(r.t, r.live().Drip, "it asks until something else is poured")
			last, _ := r.state().LastUndoable()
			r.tap(pour.TakenBack{Event: last.ID})
			r.worth["t1"] += gram.Of(0.3)
			r.waits(10 * time.Second)
			step, _ := r.state().Open()
			r.tap(pour.Poured{Step: step.No, Attempt: 2})
		}},
		{"some is spilt off the scale", func(r *rig) {
			r.pours(50)
			r.booked(1)
			require.NoError(r.t, r.device.Lift())
			r.asks(AskZeroed)
			require.NoError(r.t, r.device.Return())
			require.NoError(r.t, r.device.Remove(gram.Of(10)))
			r.answers(AskLighter, pour.CauseTaken)
			s := r.state()
			assert.InDelta(r.t, 4, s.Todo[0].Aim.Grams(), 0.02, "a fifth is gone, so a fifth less is wanted")
			r.worth["t1"] -= gram.Of(10)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			c.do(r)
			r.finish()
		})
	}
}

// settleHeld waits until the reading is kept as held.
func (r *rig) settleHeld() { r.run(3 * time.Second) }

// quietly lets time go by with a display that never calls itself moving, as one whose zero creeps.
func (r *rig) quietly(d time.Duration) {
	r.t.Helper()
	ctx, stop := context.WithCancel(r.t.Context())
	defer stop()
	end := r.clock.Now().Add(d)
	_ = r.device.Read(ctx, func(reading scale.Reading) {
		reading.Stable = true
		r.take(reading)
		r.settleTasks()
		if !r.clock.Now().Before(end) {
			stop()
		}
	})
}
