// Package store keeps the book in one SQLite file: toners, formulas, batches and their events, cards, people and
// settings. It is the only place with SQL.
//
// It promises that what was answered is on the disk (write-ahead log, synchronous FULL); that a revision and an
// event never change once written; that a batch read back folds to the same cup to the milligram; and that
// one program at a time writes (a lock file beside the book). All writes pass one goroutine and one connection,
// which commits everything that is waiting together (write.go); reads have connections of their own that cannot write.
//
// It decides nothing about paint: what a command becomes is pour's, what a formula may hold is formula's.
// Every error that a person may see is an *Error with a plain sentence (errors.go).
//
// Start at Open, then Record (event.go) and Search (search.go).
package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"time"

	"github.com/gofrs/flock"
	"github.com/mattn/go-sqlite3"
)

// ApplicationID marks a SQLite file as a book (PRAGMA application_id): "Pour" in ASCII.
const ApplicationID = 0x506f7572

// Store is an open book. Its methods may be called from several goroutines at once.
type Store struct {
	path   string
	now    func() time.Time
	unlock func() error // nil in a book opened for reading only, as is write
	read   *sql.DB
	write  *writer
	cups   *cups
	close  sync.Once
}

// Option changes how a book is opened.
type Option func(*settingsOfOpen)

type settingsOfOpen struct {
	now     func() time.Time
	version int // schema to stop at, for tests of upgrades; 0: the newest
	group   int // most commands in one commit
}

// WithClock sets the clock that stamps what comes without a time. Default: time.Now.
func WithClock(now func() time.Time) Option { return func(o *settingsOfOpen) { o.now = now } }

// Open opens the book at path for reading and writing, making it where there is none and upgrading an older one
// (a copy is kept beside it first). It holds the lock file path+".lock" until Close: a second Open, of this or
// another process, returns ErrLocked. A file that a newer program wrote returns ErrNewer.
func Open(path string, opts ...Option) (*Store, error) {
	o := settingsOfOpen{now: time.Now, group: groupMost}
	for _, opt := range opts {
		opt(&o)
	}
	if err := checkPlace(path); err != nil {
		return nil, err
	}
	unlock, err := Lock(path)
	if err != nil {
		return nil, err
	}
	s := &Store{path: path, now: o.now, unlock: unlock, cups: newCups(cupsMost)}
	if err := s.start(o); err != nil {
		_ = unlock() // the failure above is the one to report
		return nil, err
	}
	return s, nil
}

// Lock takes the lock of the book at path, ErrLocked where another program has it, and returns what gives it free.
// Open does so by itself; it is for whoever replaces the file of a book, such as a restore.
func Lock(path string) (unlock func() error, err error) {
	lock := flock.New(path + ".lock")
	locked, err := lock.TryLock()
	if err != nil {
		return nil, failed("lock the book", err, fmt.Sprintf("The folder of %s cannot be written. Choose another folder or change its rights.", path))
	}
	if !locked {
		return nil, failed("lock the book", ErrLocked, fmt.Sprintf("%s is open in another Pourbook. Close that one first.", path))
	}
	return lock.Close, nil
}

func (s *Store) start(o settingsOfOpen) error {
	if err := checkFile(s.path); err != nil {
		return err
	}
	db := sql.OpenDB(connector{dsn: writerDSN(s.path), setUp: writerSetUp, want: writerPragmas})
	db.SetMaxOpenConns(1)
	conn, err := db.Conn(context.Background())
	if err != nil {
		_ = db.Close()
		return failedFile("open the book", s.path, err)
	}
	w := &writer{db: db, conn: conn, now: s.now, cups: s.cups, most: o.group}
	if err := migrate(w, s.path, o.version); err != nil {
		_ = conn.Close()
		_ = db.Close()
		return err
	}
	s.read = readers(s.path)
	if err := s.read.Ping(); err != nil {
		_ = s.read.Close()
		_ = conn.Close()
		_ = db.Close()
		return failedFile("open the book for reading", s.path, err)
	}
	w.start()
	s.write = w
	return nil
}

// OpenReadOnly opens the book for reading, also while another program pours into it. Every writing method of it
// returns an error. A book that needs an upgrade first is refused.
func OpenReadOnly(path string) (*Store, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, failed("open the book for reading", err, fmt.Sprintf("There is no book at %s. Check the path.", path))
	case err != nil:
		return nil, failed("open the book for reading", err, fmt.Sprintf("%s cannot be read. Check its rights.", path))
	case info.IsDir():
		return nil, failed("open the book for reading", ErrNotABook, fmt.Sprintf("%s is a folder. Name the file of the book in it.", path))
	}
	s := &Store{path: path, now: time.Now, read: readers(path), cups: newCups(0)}
	version, err := versionOf(s.read)
	switch {
	case err != nil:
		err = failedFile("open the book for reading", path, err)
	case version == 0:
		err = failed("open the book for reading", ErrNotABook, fmt.Sprintf("%s is empty and not a book yet. Choose another file.", path))
	case version > newest():
		err = newer(path, version)
	case version < newest():
		err = failed("open the book for reading", ErrOlder, fmt.Sprintf("%s was written by an older Pourbook. Open it once with `pourbook serve` to bring it up to date.", path))
	}
	if err != nil {
		_ = s.read.Close()
		return nil, err
	}
	return s, nil
}

// Path returns the file of the book.
func (s *Store) Path() string { return s.path }

// Now returns the store's time, as it would stamp an event: UTC, whole milliseconds.
func (s *Store) Now() time.Time { return stamp(s.now()) }

// Close waits for the writes that were handed over, then closes the file and gives the lock free.
// What is handed over later is refused.
func (s *Store) Close() error {
	var err error
	s.close.Do(func() {
		if s.write != nil {
			s.write.stop()
		}
		err = s.read.Close() // readers first: the last connection to go folds the log into the file
		if s.write != nil {
			err = errors.Join(err, s.write.conn.Close(), s.write.db.Close())
		}
		if s.unlock != nil {
			err = errors.Join(err, s.unlock())
		}
	})
	return err
}

// Copy writes a whole, consistent copy of the book to path, which must not exist yet, while pouring goes on.
func (s *Store) Copy(ctx context.Context, path string) error {
	if _, err := os.Lstat(path); err == nil {
		return failed("copy the book", fs.ErrExist, fmt.Sprintf("%s exists already. Choose another name.", path))
	}
	// query_only would forbid writing the copy too; mode=ro alone guards the book.
	db := sql.OpenDB(connector{dsn: fileURI(s.path) + "?mode=ro&_busy_timeout=5000"})
	_, err := db.ExecContext(ctx, `VACUUM INTO ?`, path)
	if closing := db.Close(); err == nil {
		err = closing
	}
	if err != nil {
		_ = os.Remove(path) // half a copy; it did not exist before
		return failedFile("copy the book", path, err)
	}
	return nil
}

// Check reads every page of the file and returns what SQLite finds wrong with it, nothing where all is well.
func (s *Store) Check(ctx context.Context) ([]string, error) {
	var found []string
	for _, query := range []string{`PRAGMA integrity_check(100)`, `SELECT 'row of ' || "table" || ' points nowhere' FROM pragma_foreign_key_check LIMIT 100`} {
		rows, err := collect(ctx, s.read, query, nil, func(r *sql.Rows, text *string) error { return r.Scan(text) })
		for _, text := range rows { // what was found before the reading broke off names the page
			if text != "ok" {
				found = append(found, text)
			}
		}
		if err != nil {
			return found, failedFile("check the book", s.path, err)
		}
	}
	return found, nil
}

// checkPlace says in a sentence what SQLite would only call "unable to open database file".
func checkPlace(path string) error {
	const doing = "open the book"
	folder := filepath.Dir(path)
	info, err := os.Stat(folder)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return failed(doing, err, fmt.Sprintf("There is no folder %s. Make it first or choose another.", folder))
	case err != nil:
		return failed(doing, err, fmt.Sprintf("The folder %s cannot be read. Check its rights.", folder))
	case !info.IsDir():
		return failed(doing, ErrNotABook, fmt.Sprintf("%s is no folder. Choose another place for the book.", folder))
	}
	if info, err = os.Stat(path); err == nil && info.IsDir() {
		return failed(doing, ErrNotABook, fmt.Sprintf("%s is a folder. Name a file in it, such as %s.", path, filepath.Join(path, "book.db")))
	}
	return nil
}

// checkFile refuses what is no book of this program before anything is written into it.
func checkFile(path string) error {
	if info, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) || err == nil && info.Size() == 0 {
		return nil
	}
	db := readers(path)
	version, err := versionOf(db)
	if closing := db.Close(); err == nil {
		err = closing
	}
	if err != nil {
		return failedFile("open the book", path, err)
	}
	if version > newest() {
		return newer(path, version)
	}
	return nil
}

// The settings of every connection, read back as each is opened: SQLite ignores a key of the connection string
// that it does not know, and a write-ahead log without a word about synchronous means NORMAL.
var (
	writerPragmas = map[string]string{
		"journal_mode": "wal", "synchronous": "2", "busy_timeout": "5000", "foreign_keys": "1",
		"recursive_triggers": "1", // so that INSERT OR REPLACE meets the triggers that forbid deleting
		"query_only":         "0", "wal_autocheckpoint": "4000",
	}
	// The log is folded into the file every 4000 pages (16 MB): a pour writes the same few pages again and again, so the
	// later, the less is copied.
	writerSetUp   = "PRAGMA wal_autocheckpoint = 4000"
	readerPragmas = map[string]string{"busy_timeout": "5000", "foreign_keys": "1", "query_only": "1"}
)

func writerDSN(path string) string {
	return fileURI(path) + "?_journal_mode=WAL&_synchronous=FULL&_busy_timeout=5000&_foreign_keys=1&_txlock=immediate&_recursive_triggers=1&_stmt_cache_size=100"
}

func readerDSN(path string) string {
	return fileURI(path) + "?mode=ro&_query_only=1&_busy_timeout=5000&_foreign_keys=1&_stmt_cache_size=50"
}

func readers(path string) *sql.DB {
	db := sql.OpenDB(connector{dsn: readerDSN(path), want: readerPragmas})
	n := max(4, runtime.GOMAXPROCS(0))
	db.SetMaxOpenConns(n)
	db.SetMaxIdleConns(n)
	return db
}

// fileURI returns the path as SQLite's URI, in which ?, # and % of a file's name are escaped.
func fileURI(path string) string {
	if abs, err := filepath.Abs(path); err == nil {
		path = abs
	}
	path = filepath.ToSlash(path)
	if !strings.HasPrefix(path, "/") { // a drive letter
		path = "/" + path
	}
	return "file://" + (&url.URL{Path: path}).EscapedPath()
}

// connector opens connections and refuses one whose settings are not the wanted ones.
type connector struct {
	dsn   string
	setUp string
	want  map[string]string
}

func (c connector) Connect(context.Context) (driver.Conn, error) {
	d := &sqlite3.SQLiteDriver{ConnectHook: func(conn *sqlite3.SQLiteConn) error {
		if _, err := conn.Exec(c.setUp, nil); err != nil {
			return err
		}
		return checkPragmas(conn, c.want)
	}}
	return d.Open(c.dsn)
}

func (c connector) Driver() driver.Driver { return &sqlite3.SQLiteDriver{} }

func checkPragmas(conn *sqlite3.SQLiteConn, want map[string]string) error {
	for name, wanted := range want {
		rows, err := conn.Query("PRAGMA "+name, nil)
		if err != nil {
			return err
		}
		value := make([]driver.Value, 1)
		err = rows.Next(value)
		if closing := rows.Close(); err == nil {
			err = closing
		}
		if err != nil {
			return err
		}
		if got := fmt.Sprint(value[0]); got != wanted {
			return fmt.Errorf("store: PRAGMA %s is %s, not %s", name, got, wanted)
		}
	}
	return nil
}
