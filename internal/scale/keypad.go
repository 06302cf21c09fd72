package scale

import (
	"context"
	"fmt"
	"sync"
	"time"

	"pourbook/internal/gram"
)

// Keypad is a scale whose display a person reads off and types in. Every entry is one stable reading.
// It is safe for concurrent use.
type Keypad struct {
	Now func() time.Time // may be replaced before first use

	balance gram.Balance
	more    chan struct{} // holds one token while waiting is not empty

	mu      sync.Mutex
	serial  uint64
	waiting []Reading
	busy    bool
	done    chan struct{}
	closed  bool
}

// NewKeypad returns a keypad for a scale that can do what balance says.
func NewKeypad(balance gram.Balance) *Keypad {
	return &Keypad{Now: time.Now, balance: balance, more: make(chan struct{}, 1), done: make(chan struct{})}
}

// Type enters what the display shows and returns it as a stable reading, which Read then reports as well.
// A weight typed while nobody reads waits for the next Read.
// What this scale cannot show is refused: a weight between its divisions or beyond its maximum.
func (k *Keypad) Type(m gram.Mass) (Reading, error) {
	most := gram.MaxMass
	if k.balance.Max > 0 {
		most = k.balance.Max
	}
	if m > most || m < -most {
		return Reading{}, fmt.Errorf("%s g is more than this scale can carry: look at the display again and type what it shows", m.Show(k.balance.Division))
	}
	if d := k.balance.At(m); d > 0 && m%d != 0 {
		return Reading{}, fmt.Errorf("%s g lies between two steps of this scale, which shows every %s g here: type what the display shows", m.Show(gram.Milligram), d.Show(d))
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.closed {
		return Reading{}, ErrClosed
	}
	k.serial++
	r := Reading{
		Serial: k.serial, Mass: m, Stable: true, At: k.Now(), Status: OK,
		Raw: "typed " + m.Show(k.balance.At(m)) + " g",
	}
	k.waiting = append(k.waiting, r)
	select {
	case k.more <- struct{}{}:
	default:
	}
	return r, nil
}

// Read reports every typed weight; see Scale.
func (k *Keypad) Read(ctx context.Context, each func(Reading)) error {
	k.mu.Lock()
	if k.closed {
		k.mu.Unlock()
		return ErrClosed
	}
	if k.busy {
		k.mu.Unlock()
		return ErrBusy
	}
	k.busy = true
	k.mu.Unlock()
	defer func() {
		k.mu.Lock()
		k.busy = false
		k.mu.Unlock()
	}()
	for {
		if r, ok := k.next(ctx); ok {
			each(r)
			continue
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-k.done:
			return ErrClosed
		case <-k.more:
		}
	}
}

// next takes the oldest weight that waits. Once reading is to end it takes none, so that what was typed is kept.
func (k *Keypad) next(ctx context.Context) (Reading, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if len(k.waiting) == 0 || k.closed || ctx.Err() != nil {
		return Reading{}, false
	}
	r := k.waiting[0]
	k.waiting = k.waiting[1:]
	return r, true
}

// Balance returns what the scale behind the keypad can do.
func (k *Keypad) Balance() gram.Balance { return k.balance }

// Close ends Read and refuses further weights; see Scale.
func (k *Keypad) Close() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if !k.closed {
		k.closed = true
		close(k.done)
	}
	return nil
}
