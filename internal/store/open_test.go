package store

import (
	"context"
	"database/sql"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func pragma(t *testing.T, conn *sql.Conn, name string) string {
	t.Helper()
	var value string
	require.NoError(t, conn.QueryRowContext(ctx, "PRAGMA "+name).Scan(&value))
	return value
}

// The numbers are SQLite's own: synchronous 2 is FULL (https://www.sqlite.org/pragma.html#pragma_synchronous).
func TestSettingsOfEveryConnection(t *testing.T) {
	s := openBook(t)
	for name, want := range map[string]string{"synchronous": "2", "journal_mode": "wal", "foreign_keys": "1", "busy_timeout": "5000", "recursive_triggers": "1", "query_only": "0"} {
		assert.Equal(t, want, pragma(t, s.write.conn, name), "writer, %s", name)
	}
	for range 4 { // all at once, so that each is a connection of its own
		conn, err := s.read.Conn(ctx)
		require.NoError(t, err)
		defer func() { assert.NoError(t, conn.Close()) }()
		for name, want := range map[string]string{"query_only": "1", "foreign_keys": "1", "busy_timeout": "5000"} {
			assert.Equal(t, want, pragma(t, conn, name), "reader, %s", name)
		}
		_, err = conn.ExecContext(ctx, `INSERT INTO person (name, name_key) VALUES ('a', 'a')`)
		assert.Error(t, err, "a reader writes")
	}
}

func TestConnectionWithOtherSettingsIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "book.db")
	for _, dsn := range []string{
		fileURI(path) + "?_journal_mode=WAL",                           // a log without a word about synchronous is NORMAL
		fileURI(path) + "?_journal_mode=WAL&_pragma=synchronous(FULL)", // a key of another driver, ignored
		strings.Replace(writerDSN(path), "_foreign_keys=1", "_foreign_key=1", 1),
	} {
		db := sql.OpenDB(connector{dsn: dsn, setUp: writerSetUp, want: writerPragmas})
		assert.Error(t, db.Ping(), dsn)
		require.NoError(t, db.Close())
	}
}

func TestNameWithMeaningInAURI(t *testing.T) {
	path := filepath.Join(t.TempDir(), "shop & son? #1 100% ü.db")
	s := openAt(t, path)
	shelve(t, s, solvent, "White")
	_, err := os.Stat(path)
	require.NoError(t, err)
}

func TestOneProgramAtATimeWrites(t *testing.T) {
	path := filepath.Join(t.TempDir(), "book.db")
	s, err := Open(path)
	require.NoError(t, err)
	_, err = Open(path)
	require.ErrorIs(t, err, ErrLocked)
	assert.Contains(t, Sentence(err), "open in another Pourbook")

	shelve(t, s, solvent, "White")
	reader, err := OpenReadOnly(path)
	require.NoError(t, err)
	toners, err := reader.Toners(ctx, TonerFilter{})
	require.NoError(t, err)
	assert.Len(t, toners, 1)
	_, err = reader.SavePerson(ctx, Person{Name: "Ann"})
	require.ErrorIs(t, err, ErrReadOnly)
	require.NoError(t, reader.Close())

	require.NoError(t, s.Close())
	require.NoError(t, s.Close(), "closing twice")
	_, err = s.SavePerson(ctx, Person{Name: "Ann"})
	require.ErrorIs(t, err, ErrClosed)
	unlock, err := Lock(path)
	require.NoError(t, err)
	_, err = Open(path)
	require.ErrorIs(t, err, ErrLocked)
	require.NoError(t, unlock())
	again, err := Open(path)
	require.NoError(t, err)
	require.NoError(t, again.Close())
}

func TestCloseWaitsForWhatWasHandedOver(t *testing.T) {
	path := filepath.Join(t.TempDir(), "book.db")
	s, err := Open(path)
	require.NoError(t, err)
	begun, answers := make(chan struct{}), make(chan error, 20)
	go func() {
		answers <- s.update(ctx, "wait", func(*tx) error { close(begun); return nil })
	}()
	<-begun
	for _, name := range firstWords[:19] {
		go func() {
			_, err := s.SavePerson(ctx, Person{Name: name})
			answers <- err
		}()
	}
	require.NoError(t, s.Close())
	kept := 0
	for range 20 {
		if err := <-answers; err == nil {
			kept++
		} else {
			require.ErrorIs(t, err, ErrClosed, "neither kept nor refused")
		}
	}
	people, err := openAt(t, path).People(ctx)
	require.NoError(t, err)
	assert.Len(t, people, kept-1, "what was answered as kept is there, and nothing else")
}

func TestWhatIsNoBookIsRefusedAndLeftAlone(t *testing.T) {
	dir := t.TempDir()
	text := filepath.Join(dir, "text.db")
	require.NoError(t, os.WriteFile(text, []byte(strings.Repeat("This is a shopping list. ", 100)), 0o600))
	other := filepath.Join(dir, "other.db")
	db, err := sql.Open("sqlite3", other)
	require.NoError(t, err)
	_, err = db.Exec(`CREATE TABLE song (title TEXT)`)
	require.NoError(t, err)
	require.NoError(t, db.Close())
	empty := filepath.Join(dir, "empty.db")
	require.NoError(t, os.WriteFile(empty, nil, 0o600))

	for _, path := range []string{text, other, dir} {
		before, _ := os.ReadFile(path)
		_, err := Open(path)
		require.ErrorIs(t, err, ErrNotABook, path)
		assert.NotEmpty(t, Sentence(err), path)
		_, err = OpenReadOnly(path)
		require.ErrorIs(t, err, ErrNotABook, path)
		after, _ := os.ReadFile(path)
		assert.Equal(t, before, after, "%s was written to", path)
	}
	_, err = OpenReadOnly(empty)
	require.ErrorIs(t, err, ErrNotABook)
	openAt(t, empty) // an empty file becomes a book

	for _, path := range []string{filepath.Join(dir, "no", "book.db"), filepath.Join(text, "book.db")} {
		_, err := Open(path)
		assert.NotEmpty(t, Sentence(err), path)
	}
	_, err = OpenReadOnly(filepath.Join(dir, "none.db"))
	require.ErrorIs(t, err, fs.ErrNotExist)
	assert.Contains(t, Sentence(err), "There is no book at")
}

func TestFolderThatCannotBeWritten(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("needs a folder that nobody can write to")
	}
	_, err := Open("/proc/book.db")
	require.Error(t, err)
	assert.Contains(t, Sentence(err), "cannot be written")
}

func TestCopyWhilePouring(t *testing.T) {
	s := openBook(t)
	h := newHand(t, s, "batch", plan(3))
	h.fills()
	path := filepath.Join(t.TempDir(), "copy.db")
	require.NoError(t, s.Copy(context.Background(), path))
	require.ErrorIs(t, s.Copy(ctx, path), fs.ErrExist)
	state, err := openAt(t, path).State(ctx, "batch")
	require.NoError(t, err)
	assert.Equal(t, h.state, state)
	found, err := s.Check(ctx)
	require.NoError(t, err)
	assert.Empty(t, found)
}
