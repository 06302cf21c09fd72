package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/backup"
	"pourbook/internal/pour"
	"pourbook/internal/store"
)

// TestReplication pours at the real server while litestream copies the book's log to another folder, kills both, and
// restores the book from that folder. testdata/replicate.sh builds the tool and runs this; without it the test is skipped.
func TestReplication(t *testing.T) {
	tool := os.Getenv("POURBOOK_LITESTREAM")
	if tool == "" {
		t.Skip("POURBOOK_LITESTREAM does not name the program; testdata/replicate.sh does")
	}
	path, formulaID := eightBook(t)
	replica := "file://" + filepath.Join(t.TempDir(), "replica")
	server := startServe(t, buildProgram(t), path)
	follower := exec.Command(tool, "replicate", path, replica)
	log, err := os.Create(filepath.Join(t.TempDir(), "log"))
	require.NoError(t, err)
	defer log.Close()
	follower.Stdout, follower.Stderr = log, log
	require.NoError(t, follower.Start())
	killed := sync.OnceFunc(func() { _ = follower.Process.Kill(); _ = follower.Wait() })
	t.Cleanup(killed)

	p := &pourer{client: newClient(t, server.url), formula: formulaID}
	for range 100 {
		require.NoError(t, p.post())
	}
	restored := func(name string) string {
		to := filepath.Join(t.TempDir(), name)
		said, err := exec.Command(tool, "restore", "-o", to, replica).CombinedOutput()
		require.NoError(t, err, "%s", said)
		return to
	}
	caughtUp := ""
	waitUntil(t, "the replica has caught up", func() bool {
		if matches, _ := filepath.Glob(filepath.Join(replica[len("file://"):], "*")); len(matches) == 0 {
			return false
		}
		time.Sleep(200 * time.Millisecond)
		caughtUp = restored("caught-up.db")
		return held(t, caughtUp, p) == len(p.done)
	})
	whole, err := backup.Check(t.Context(), caughtUp)
	require.NoError(t, err)
	assert.Empty(t, whole.Found)
	said, err := os.ReadFile(log.Name())
	require.NoError(t, err)
	assert.NotContains(t, string(said), "level=ERROR")

	stop := time.Now().Add(3 * time.Second) // long enough for some rounds of the follower
	for time.Now().Before(stop) {
		require.NoError(t, p.post())
	}
	server.kill()
	require.NoError(t, follower.Process.Signal(syscall.SIGKILL))
	killed()
	late := restored("late.db")
	report, err := backup.Check(t.Context(), late)
	require.NoError(t, err)
	assert.Empty(t, report.Found)
	there := held(t, late, p)
	assert.Greater(t, there, 100)
	t.Logf("of %d answered taps %d are in the replica; the last of the book came %d taps before both were killed", len(p.done), there, len(p.done)-there)

	compare(t, path, []*pourer{p}, true) // the book itself is not disturbed
	book := filepath.Join(t.TempDir(), "shop", "book.db")
	require.NoError(t, os.Mkdir(filepath.Dir(book), 0o700))
	_, err = backup.Restore(t.Context(), late, book, time.Now())
	require.NoError(t, err, "what was restored is a backup like any other")
}

// held counts the answered taps that are in a restored book, and holds that they are as in the book, from its beginning.
func held(t *testing.T, path string, p *pourer) int {
	t.Helper()
	book, err := store.OpenReadOnly(path)
	require.NoError(t, err)
	defer book.Close()
	there, events := 0, map[string][]pour.Event{}
	for i, s := range p.done {
		if _, ok := events[s.batch]; !ok {
			events[s.batch], err = book.Events(t.Context(), s.batch)
			if err != nil {
				require.ErrorIs(t, err, store.ErrNotFound)
			}
		}
		if s.seq > len(events[s.batch]) {
			continue
		}
		require.Equal(t, i, there, "a hole before tap %d", i)
		requireAsSent(t, s, events[s.batch][s.seq-1])
		there++
	}
	return there
}
