package web

import (
	"errors"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"

	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/pigment"
	"pourbook/internal/store"
)

// The searches that are held in memory. They are forgotten when the program ends: nothing of the book depends on them.
const (
	mostRunning  = 2
	mostSearches = 24 // finished ones kept to be looked at
)

// search is one search for a formula. What is found is written once, before finished is closed.
type search struct {
	id      string
	started time.Time
	target  colour.Lab
	curve   *card.Curve // nil where only figures are known
	system  formula.System
	toners  []formula.Toner // of the palette
	palette *store.Palette
	most    int

	done, total atomic.Int64
	stop        atomic.Bool
	finished    chan struct{}
	found       []pigment.Match
	err         error
}

func (j *search) running() bool {
	select {
	case <-j.finished:
		return false
	default:
		return true
	}
}

// searches holds the searches of all screens. The zero value is ready.
type searches struct {
	mu  sync.Mutex
	all []*search // oldest first
}

// add makes room for one search more. Too many at once are refused: each takes a whole processor.
func (s *searches) add(j *search) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	running := 0
	for _, other := range s.all {
		if other.running() {
			running++
		}
	}
	if running >= mostRunning && j.palette != nil {
		return &fault{status: http.StatusServiceUnavailable, sentence: "Two searches are under way already.", next: "Wait for one of them, or stop it, and send this again."}
	}
	for i := 0; len(s.all) >= mostSearches && i < len(s.all); {
		if s.all[i].running() {
			i++
			continue
		}
		s.all = append(s.all[:i:i], s.all[i+1:]...)
	}
	j.id, j.finished = uuid.NewString(), make(chan struct{})
	s.all = append(s.all, j)
	return nil
}

func (s *searches) find(id string) (*search, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, j := range s.all {
		if j.id == id {
			return j, true
		}
	}
	return nil, false
}

// run looks for formulas until it is done, stopped, or the server is.
func (j *search) run(ask pigment.MatchAsk, serverDone <-chan struct{}) {
	defer close(j.finished)
	ask.Progress = func(done, total int) {
		j.done.Store(int64(done))
		j.total.Store(int64(total))
	}
	ask.Stop = func() bool {
		select {
		case <-serverDone:
			return true
		default:
			return j.stop.Load()
		}
	}
	j.found, j.err = j.palette.Match(ask)
}

// stopped reports whether a finished search was ended by somebody.
func (j *search) stopped() bool { return errors.Is(j.err, pigment.ErrStopped) }
