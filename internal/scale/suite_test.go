package scale

import (
	"context"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

// moment is how soon a scale has to let go when it is told to (generous, for a busy machine).
const moment = 2 * time.Second

// A kind opens one kind of scale for the shared suite. wake makes it show something, where it does not by itself;
// it is called again and again while readings are awaited.
type kind func(t *testing.T) (s Scale, wake func())

// suite is what every kind of scale has to pass.
func suite(t *testing.T, open kind) {
	ignore := goleak.IgnoreCurrent()
	opened := func(t *testing.T) (Scale, func()) {
		s, wake := open(t)
		t.Cleanup(func() { assert.NoError(t, s.Close()) })
		return s, wake
	}

	t.Run("reads until told to stop", func(t *testing.T) {
		s, wake := opened(t)
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		got := collect(t, s, wake, ctx, cancel, 12)
		assert.GreaterOrEqual(t, len(got), 12)
	})

	t.Run("serial numbers rise by one, across two reads as well", func(t *testing.T) {
		s, wake := opened(t)
		var all []Reading
		for range 2 {
			ctx, cancel := context.WithCancel(t.Context())
			all = append(all, collect(t, s, wake, ctx, cancel, 5)...)
			cancel()
		}
		for i := 1; i < len(all); i++ {
			require.Equal(t, all[i-1].Serial+1, all[i].Serial)
			require.False(t, all[i].At.Before(all[i-1].At), "time of reading %d goes back", i)
		}
	})

	t.Run("shows whole divisions and says what it was sent", func(t *testing.T) {
		s, wake := opened(t)
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		require.Positive(t, s.Balance().Division)
		seen := 0
		for _, r := range collect(t, s, wake, ctx, cancel, 12) {
			require.NotZero(t, r.Status)
			require.False(t, r.At.IsZero())
			if r.Status != OK {
				continue
			}
			seen++
			require.Zero(t, r.Mass%s.Balance().At(r.Mass), "%v", r.Mass)
			require.NotEmpty(t, r.Raw)
		}
		assert.Positive(t, seen, "no usable reading among them")
	})

	t.Run("one read at a time", func(t *testing.T) {
		s, wake := opened(t)
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		var once sync.Once
		second := error(nil)
		run(t, s, wake, ctx, func(Reading) {
			once.Do(func() { second = s.Read(ctx, func(Reading) { t.Error("the second read was served") }) })
			cancel()
		})
		assert.ErrorIs(t, second, ErrBusy)
	})

	t.Run("an ended context ends it at once", func(t *testing.T) {
		s, _ := opened(t)
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		assert.ErrorIs(t, s.Read(ctx, func(Reading) { t.Error("read after the end") }), context.Canceled)

		deadline, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
		defer cancel()
		done := make(chan error, 1)
		go func() { done <- s.Read(deadline, func(Reading) {}) }()
		select {
		case err := <-done:
			assert.ErrorIs(t, err, context.DeadlineExceeded)
		case <-time.After(moment):
			t.Fatal("Read goes on after its context has ended")
		}
	})

	t.Run("close ends it, twice is once", func(t *testing.T) {
		s, _ := opened(t)
		done := make(chan error, 1)
		go func() { done <- s.Read(t.Context(), func(Reading) {}) }()
		time.Sleep(20 * time.Millisecond) // to have it reading; Close must do as well before
		require.NoError(t, s.Close())
		require.NoError(t, s.Close())
		select {
		case err := <-done:
			assert.ErrorIs(t, err, ErrClosed)
		case <-time.After(moment):
			t.Fatal("Read goes on after Close")
		}
		assert.ErrorIs(t, s.Read(t.Context(), func(Reading) { t.Error("read after Close") }), ErrClosed)
	})

	t.Run("may be closed from within", func(t *testing.T) {
		s, wake := opened(t)
		n := 0
		err := run(t, s, wake, t.Context(), func(Reading) { n++; assert.NoError(t, s.Close()) })
		assert.ErrorIs(t, err, ErrClosed)
		assert.Equal(t, 1, n, "it goes on reporting after Close has returned")
	})

	t.Run("leaves no goroutine", func(t *testing.T) { goleak.VerifyNone(t, ignore) })
}

// collect reads until n readings have come, then ends the context and checks why Read ended.
func collect(t *testing.T, s Scale, wake func(), ctx context.Context, cancel func(), n int) []Reading {
	t.Helper()
	var got []Reading
	err := run(t, s, wake, ctx, func(r Reading) {
		got = append(got, r)
		if len(got) == n {
			cancel()
		}
		if len(got) > n {
			t.Error("a reading came after the context had ended")
		}
	})
	require.ErrorIs(t, err, context.Canceled)
	return got
}

// run reads and keeps waking the scale until Read has ended.
func run(t *testing.T, s Scale, wake func(), ctx context.Context, each func(Reading)) error {
	t.Helper()
	done := make(chan error, 1)
	go func() { done <- s.Read(ctx, each) }()
	limit := time.After(10 * time.Second)
	turn := time.NewTicker(5 * time.Millisecond)
	defer turn.Stop()
	for {
		select {
		case err := <-done:
			return err
		case <-turn.C:
			if wake != nil {
				wake()
			}
		case <-limit:
			t.Fatal("the scale shows nothing")
		}
	}
}

func TestSuitePretend(t *testing.T) {
	suite(t, func(t *testing.T) (Scale, func()) {
		p, err := NewPretend(PretendSetup{Balance: shopBalance, Speed: 50, Seed: 7})
		require.NoError(t, err)
		require.NoError(t, p.Place(12_345))
		return p, nil
	})
}

func TestSuiteKeypad(t *testing.T) {
	suite(t, func(t *testing.T) (Scale, func()) {
		k := NewKeypad(shopBalance)
		return k, func() { _, _ = k.Type(12_300) } // refused once closed, as it should be
	})
}
