package scale

import (
	"context"
	"sync"
	"time"
)

// A turn lets one Read at a time at a device, numbers its readings across all of them, and ends it on Close.
type turn struct {
	mu     sync.Mutex
	stop   context.CancelCauseFunc // ends the running Read; nil when none runs
	closed bool
	serial uint64
}

// take begins a Read. The context that it returns ends with ctx or with close; give ends the Read.
func (t *turn) take(ctx context.Context) (running context.Context, give func(), err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	switch {
	case t.closed:
		return nil, nil, ErrClosed
	case t.stop != nil:
		return nil, nil, ErrBusy
	case ctx.Err() != nil:
		return nil, nil, ctx.Err()
	}
	running, cancel := context.WithCancelCause(ctx)
	t.stop = cancel
	return running, func() {
		cancel(nil)
		t.mu.Lock()
		t.stop = nil
		t.mu.Unlock()
	}, nil
}

// next numbers a reading. Only the Read that has the turn calls it.
func (t *turn) next() uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.serial++
	return t.serial
}

func (t *turn) close() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.closed = true
	if t.stop != nil {
		t.stop(ErrClosed)
	}
}

// ended returns why a Read has to end, nil while it has not.
func ended(ctx, running context.Context) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return context.Cause(running)
}

// look is how long a device is waited for before ctx is looked at again.
const look = 50 * time.Millisecond

// A goneError says in one sentence why a device cannot be read now. It is ErrGone and its cause.
type goneError struct {
	say   string
	cause error
}

func (e *goneError) Error() string   { return e.say }
func (e *goneError) Unwrap() []error { return []error{ErrGone, e.cause} }

func gone(cause error) error {
	return &goneError{say: ErrGone.Error() + " (" + cause.Error() + ")", cause: cause}
}
