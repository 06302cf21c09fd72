package scale

import (
	"context"
	"sync"
	"time"
)

// Clock is the time that a simulated scale lives by.
type Clock interface {
	Now() time.Time
	// Sleep returns after d, or with ctx.Err() once ctx ends.
	Sleep(ctx context.Context, d time.Duration) error
}

// Wall is the clock of the machine.
type Wall struct{}

// Now returns the machine's time.
func (Wall) Now() time.Time { return time.Now() }

// Sleep waits for d of real time or until ctx ends.
func (Wall) Sleep(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Stepped is a clock that stands still except when somebody sleeps: then it jumps to the end of the sleep at once.
// A pretend scale on it reads as fast as its readings are taken, and does exactly the same in every run.
type Stepped struct {
	mu  sync.Mutex
	now time.Time
}

// NewStepped returns a clock that stands at start.
func NewStepped(start time.Time) *Stepped { return &Stepped{now: start} }

// Now returns the time at which the clock stands.
func (s *Stepped) Now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.now
}

// Sleep moves the clock on by d, unless ctx has ended.
func (s *Stepped) Sleep(ctx context.Context, d time.Duration) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if d > 0 {
		s.now = s.now.Add(d)
	}
	return nil
}
