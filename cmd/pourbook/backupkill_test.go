package main

import (
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/backup"
	"pourbook/internal/store"
)

// killedAfter runs a command and kills it after a while. It reports whether it had ended by itself.
func killedAfter(t *testing.T, while time.Duration, program string, args ...string) (ended bool) {
	t.Helper()
	cmd := exec.Command(program, args...)
	require.NoError(t, cmd.Start())
	done := make(chan error, 1)
	go func() { done <- cmd.Wait() }()
	select {
	case err := <-done:
		require.NoError(t, err)
		return true
	case <-time.After(while):
		_ = cmd.Process.Kill() // it may have ended meanwhile
		return <-done == nil
	}
}

// TestKilledBackupAndRestore kills both commands at any moment. A backup has its name only when it is whole; after a
// restore the book is the old one or the new one, or there is none and the old one lies whole beside it.
func TestKilledBackupAndRestore(t *testing.T) {
	program := buildProgram(t)
	old := demoBook(t)
	next, _ := eightBook(t)
	well := func(path string) int {
		t.Helper()
		report, err := backup.Check(t.Context(), path)
		require.NoError(t, err)
		require.Empty(t, report.Found)
		return report.Batches
	}
	batches := well(old)
	require.Positive(t, batches)
	begun := time.Now()
	require.True(t, killedAfter(t, time.Minute, program, "backup", "-book", old, filepath.Join(t.TempDir(), "b.db")))
	span := time.Since(begun)
	r := rand.New(rand.NewPCG(3, 7))
	whole, cut := 0, 0
	for range 15 {
		to := filepath.Join(t.TempDir(), "copy.db")
		killedAfter(t, time.Duration(r.Int64N(2*int64(span))), program, "backup", "-book", old, to)
		if _, err := os.Stat(to); err == nil {
			assert.Equal(t, batches, well(to))
			whole++
		} else {
			cut++
		}
	}
	t.Logf("backups: %d whole, %d cut off", whole, cut)

	book := filepath.Join(t.TempDir(), "book.db")
	copyOf := func(path string) []byte {
		data, err := os.ReadFile(path)
		require.NoError(t, err)
		return data
	}
	require.NoError(t, os.WriteFile(book, copyOf(old), 0o600))
	begun = time.Now()
	require.True(t, killedAfter(t, time.Minute, program, "restore", "-book", book, next))
	span = time.Since(begun)
	var olds, news, beside int
	for range 25 {
		for _, e := range []string{book, book + "-wal", book + "-shm"} {
			_ = os.Remove(e) // of the round before
		}
		replaced, err := filepath.Glob(book + ".replaced-*")
		require.NoError(t, err)
		for _, e := range replaced {
			require.NoError(t, os.Remove(e))
		}
		require.NoError(t, os.WriteFile(book, copyOf(old), 0o600))
		killedAfter(t, time.Duration(r.Int64N(2*int64(span))), program, "restore", "-book", book, next)
		_, err = os.Stat(book)
		switch {
		case err != nil:
			replaced, err := filepath.Glob(book + ".replaced-*")
			require.NoError(t, err)
			require.NotEmpty(t, replaced)
			require.Equal(t, batches, well(replaced[0]))
			beside++
		case well(book) == batches:
			olds++
		default:
			require.Zero(t, well(book))
			news++
		}
	}
	t.Logf("restores: %d left the old book, %d the new, %d none with the old beside", olds, news, beside)
	require.True(t, killedAfter(t, time.Minute, program, "restore", "-book", book, next), "afterwards it can be done")
	assert.Zero(t, well(book))
	entries, err := os.ReadDir(filepath.Dir(book))
	require.NoError(t, err)
	for _, e := range entries {
		assert.False(t, strings.Contains(e.Name(), ".restoring-"), "what was cut off is swept up")
	}
}

// demoBook is the demo's book in a file, with batches.
func demoBook(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "demo.db")
	s, err := store.Open(path)
	require.NoError(t, err)
	require.NoError(t, loadDemo(t.Context(), s, 1, time.Now()))
	require.NoError(t, s.Close())
	return path
}
