package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"runtime"
	"runtime/debug"
	"sync"
	"time"

	"github.com/mattn/go-sqlite3"
)

// groupMost is the most jobs that one commit takes: enough to share a wait for the disk, few enough to stay quick.
const groupMost = 64

// writer is the one goroutine and the one connection that write. Everything that is waiting when it looks is done in
// one transaction, each job behind a savepoint of its own, and answered after the commit. A job that fails is
// undone alone; a commit that fails fails every job in it.
type writer struct {
	db   *sql.DB
	conn *sql.Conn
	now  func() time.Time
	cups *cups
	most int

	// Of the last commit, for the next group:
	ended  time.Time
	took   time.Duration
	expect int // how many jobs are about: those that were answered, and those that came meanwhile

	mu     sync.RWMutex // held for reading while handing over, so that stop knows when no more can come
	closed bool
	jobs   chan *job
	done   chan struct{}
}

type job struct {
	ctx    context.Context
	do     func(*tx) error
	light  bool // asks for its savepoint itself where it needs one
	err    error
	answer chan error
}

// tx is the transaction as a job sees it. Its methods take no context: once begun, a job is done to its end.
type tx struct {
	conn   *sql.Conn
	now    time.Time
	staged map[string]cup // folded states by batch, true once the commit is

	// Of the job that is being done:
	alone bool // the whole transaction is this job's, so it needs no savepoint
	saved bool // there is a savepoint
	wrote bool // something was written
}

func (w *writer) start() {
	w.jobs = make(chan *job, 4*groupMost)
	w.done = make(chan struct{})
	go w.run()
}

// stop refuses new jobs, does those that were handed over and waits for them.
func (w *writer) stop() {
	w.mu.Lock()
	w.closed = true
	close(w.jobs)
	w.mu.Unlock()
	<-w.done
}

// update runs do in a transaction and returns after its commit. A ctx that ends before the job's turn leaves it undone;
// one that ends later changes nothing, so that the answer is always the truth.
func (s *Store) update(ctx context.Context, doing string, do func(*tx) error) error {
	return s.hand(&job{ctx: ctx, do: do, answer: make(chan error, 1)}, doing)
}

// updateLightly is update for a job that writes once, or calls savepoint before its first of several writes.
func (s *Store) updateLightly(ctx context.Context, doing string, do func(*tx) error) error {
	return s.hand(&job{ctx: ctx, do: do, light: true, answer: make(chan error, 1)}, doing)
}

// hand gives a job to the writer and waits for its answer.
func (s *Store) hand(j *job, doing string) error {
	w := s.write
	if w == nil {
		return failed(doing, ErrReadOnly, "This book was opened for reading only. Nothing was kept.")
	}
	w.mu.RLock()
	if w.closed {
		w.mu.RUnlock()
		return failed(doing, ErrClosed, "Pourbook is shutting down. Nothing was kept of this. Start it again, then try again.")
	}
	w.jobs <- j
	w.mu.RUnlock()
	return explain(doing, <-j.answer)
}

func (w *writer) run() {
	defer close(w.done)
	for first := range w.jobs {
		w.commit(w.waiting(first))
	}
}

// waitMost is the longest that a group waits for those who were answered just now.
const waitMost = time.Millisecond

// waiting returns the first job and those that are ready to go with it. Whoever was answered just now is likely to hand
// over the next one at once, so they get a turn of the processor first: a fuller group for some microseconds.
//
// Tablets need longer to come back than that, and without them two halves would take turns for ever, each waiting for
// the disk alone. So a group that follows hard on the last one waits for as many as are about, for at most half the
// time that the last commit took. A job that comes alone, or when nothing was going on, never waits.
func (w *writer) waiting(first *job) []*job {
	group := []*job{first}
	for before := 0; before < len(group) && len(group) < w.most; {
		before = len(group)
		runtime.Gosched()
		group = w.drain(group)
	}
	if len(group) >= min(w.expect, w.most) {
		return group
	}
	left := min(w.took/2, waitMost) - time.Since(w.ended)
	if left <= 0 {
		return group
	}
	late := time.NewTimer(left)
	defer late.Stop()
	for len(group) < min(w.expect, w.most) {
		select {
		case j, ok := <-w.jobs:
			if !ok {
				return group
			}
			group = append(group, j)
		case <-late.C:
			return group
		}
	}
	return group
}

func (w *writer) drain(group []*job) []*job {
	for len(group) < w.most {
		select {
		case j, ok := <-w.jobs:
			if !ok {
				return group
			}
			group = append(group, j)
		default:
			return group
		}
	}
	return group
}

// commit does a group of jobs in one transaction and answers them.
func (w *writer) commit(group []*job) {
	begun := time.Now()
	err := w.transact(group)
	w.ended = time.Now()
	w.took, w.expect = w.ended.Sub(begun), len(group)+len(w.jobs)
	for _, j := range group {
		if err != nil {
			j.err = err
		}
		j.answer <- j.err
	}
}

// transact does a group of jobs in one transaction. The error is of the transaction as a whole; that of a single job is
// in the job. What was staged is published after the commit and forgotten after a failure.
func (w *writer) transact(group []*job) (err error) {
	t := &tx{conn: w.conn, now: stamp(w.now()), staged: map[string]cup{}}
	defer func() { w.cups.settle(t.staged, err == nil) }()
	if err := t.exec(`BEGIN IMMEDIATE`); err != nil {
		return err
	}
	for _, j := range group {
		if j.err = j.ctx.Err(); j.err != nil {
			continue
		}
		if j.err = w.try(t, j, len(group) == 1); j.err == nil {
			continue
		}
		if lost(j.err) {
			_ = t.exec(`ROLLBACK`) // SQLite may have done so already
			return j.err
		}
	}
	if len(group) == 1 && group[0].err != nil {
		return undone(t, group[0].err)
	}
	if err := t.exec(`COMMIT`); err != nil {
		_ = t.exec(`ROLLBACK`) // the failure of the commit is the one to report
		return err
	}
	return nil
}

// undone rolls back a transaction of one failed job and returns why it failed.
func undone(t *tx, why error) error {
	if err := t.exec(`ROLLBACK`); err != nil {
		return fmt.Errorf("%w; and then: %w", why, err)
	}
	return why
}

// try does one job; where it fails everything it wrote is gone.
func (w *writer) try(t *tx, j *job, alone bool) error {
	t.alone, t.saved, t.wrote = alone, false, false
	if !j.light {
		if err := t.savepoint(); err != nil {
			return err
		}
	}
	err := safely(t, j)
	switch {
	case err == nil && !t.saved, err != nil && alone:
		return err
	case err != nil && t.saved:
		if back := t.exec(`ROLLBACK TO job`); back != nil {
			return lostError{fmt.Errorf("%w; and then: %w", err, back)}
		}
	case err != nil && t.wrote:
		return lostError{err}
	case err != nil:
		return err
	}
	if release := t.exec(`RELEASE job`); release != nil {
		return lostError{release}
	}
	return err
}

// savepoint makes what the job writes from here on one piece.
func (t *tx) savepoint() error {
	if t.alone || t.saved {
		return nil
	}
	if err := t.exec(`SAVEPOINT job`); err != nil {
		return lostError{err}
	}
	t.saved = true
	return nil
}

// safely does a job and turns a panic into its error: one bad row must not stop every other cup.
func safely(t *tx, j *job) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = failed("write", fmt.Errorf("panic: %v\n%s", p, debug.Stack()), "Pourbook made a mistake and kept nothing of this. Reload the page; if it happens again, report it.")
		}
	}()
	return j.do(t)
}

// lostError marks a failure after which the transaction is not to be trusted.
type lostError struct{ error }

func (e lostError) Unwrap() error { return e.error }

// lost reports whether SQLite may have rolled back the whole transaction by itself
// (https://www.sqlite.org/lang_transaction.html, "Response To Errors Within A Transaction").
func lost(err error) bool {
	var l lostError
	var s sqlite3.Error
	if errors.As(err, &l) {
		return true
	}
	if !errors.As(err, &s) {
		return false
	}
	switch s.Code {
	case sqlite3.ErrFull, sqlite3.ErrIoErr, sqlite3.ErrNomem, sqlite3.ErrBusy, sqlite3.ErrInterrupt, sqlite3.ErrCorrupt, sqlite3.ErrNotADB, sqlite3.ErrReadonly, sqlite3.ErrCantOpen:
		return true
	}
	return false
}

func (t *tx) exec(query string, args ...any) error {
	_, err := t.write(query, args)
	return err
}

func (t *tx) write(query string, args []any) (sql.Result, error) {
	result, err := t.conn.ExecContext(context.Background(), query, args...)
	t.wrote = t.wrote || err == nil
	return result, err
}

// insert runs an INSERT and returns the row's number.
func (t *tx) insert(query string, args ...any) (int64, error) {
	result, err := t.write(query, args)
	if err != nil {
		return 0, err
	}
	return result.LastInsertId()
}

// change runs an UPDATE or DELETE that must meet a row; ErrNotFound where it met none.
func (t *tx) change(query string, args ...any) error {
	result, err := t.write(query, args)
	if err != nil {
		return err
	}
	if n, err := result.RowsAffected(); err != nil || n > 0 {
		return err
	}
	return ErrNotFound
}

func (t *tx) row(query string, args ...any) *sql.Row {
	return t.conn.QueryRowContext(context.Background(), query, args...)
}

// querier is what reads: the reader pool, or the writer's connection within a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// collect returns one T for every row.
func collect[T any](ctx context.Context, q querier, query string, args []any, scan func(*sql.Rows, *T) error) (all []T, err error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var one T
		if err := scan(rows, &one); err != nil {
			return nil, err
		}
		all = append(all, one)
	}
	return all, rows.Err()
}
