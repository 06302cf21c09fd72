package backup

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"pourbook/internal/pour"
	"pourbook/internal/store"
)

func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m, goleak.IgnoreTopFunction("database/sql.(*DB).connectionOpener"))
}

// Eight hands pour their batches while backups are made. Each backup holds everything that was acknowledged before it
// was asked for, and nothing that is not in the book in the end.
func TestBackupWhileEightPour(t *testing.T) {
	s := openBook(t, filepath.Join(t.TempDir(), "book.db"))
	stock(t, s)
	var mu sync.Mutex
	acknowledged := map[string]int{} // events by batch
	var stop atomic.Bool
	var work sync.WaitGroup
	for i := range 8 {
		work.Go(func() {
			for n := 0; !stop.Load(); n++ {
				h := &hand{store: s, batch: fmt.Sprintf("hand%d-%d", i, n)}
				for !h.state.Ended() && !stop.Load() {
					if !assert.NoError(t, h.step(4)) {
						return
					}
					mu.Lock()
					acknowledged[h.batch] = h.state.Seq
					mu.Unlock()
				}
			}
		})
	}
	for begun := 0; begun < 8; runtime.Gosched() { // until all of them pour
		mu.Lock()
		begun = len(acknowledged)
		mu.Unlock()
		require.False(t, t.Failed())
	}
	folder := t.TempDir()
	type made struct {
		path   string
		before map[string]int
	}
	var all []made
	for i := range 4 {
		m := made{filepath.Join(folder, fmt.Sprintf("copy%d.db", i)), map[string]int{}}
		mu.Lock()
		for batch, n := range acknowledged {
			m.before[batch] = n
		}
		mu.Unlock()
		report, err := Make(t.Context(), s, m.path)
		require.NoError(t, err)
		assert.True(t, report.Well())
		all = append(all, m)
	}
	stop.Store(true)
	work.Wait()

	for _, m := range all {
		copied, err := store.OpenReadOnly(m.path)
		require.NoError(t, err)
		held := 0
		for batch := range acknowledged {
			events, err := copied.Events(t.Context(), batch)
			if err != nil {
				require.ErrorIs(t, err, store.ErrNotFound)
			}
			require.GreaterOrEqual(t, len(events), m.before[batch], "batch %s in %s", batch, m.path)
			if len(events) == 0 {
				continue
			}
			now, err := s.Events(t.Context(), batch)
			require.NoError(t, err)
			require.Equal(t, now[:len(events)], events)
			state, err := copied.State(t.Context(), batch)
			require.NoError(t, err)
			folded, err := pour.Fold(now[:len(events)])
			require.NoError(t, err)
			require.Equal(t, folded, state)
			held += len(events)
		}
		t.Logf("%s: %d events", filepath.Base(m.path), held)
		require.NoError(t, copied.Close())
	}
	assert.ElementsMatch(t, []string{"copy0.db", "copy1.db", "copy2.db", "copy3.db"}, namesIn(t, folder), "nothing is left beside")
}

func TestBackupNeverOverwrites(t *testing.T) {
	s := openBook(t, closedBook(t))
	path := filepath.Join(t.TempDir(), "copy.db")
	writeFile(t, path, []byte("something else"))
	_, err := Make(t.Context(), s, path)
	require.ErrorIs(t, err, fs.ErrExist)
	assert.Contains(t, store.Sentence(err), path+" exists already")
	assert.Equal(t, "something else", string(readFile(t, path)))

	part := filepath.Join(t.TempDir(), "part")
	writeFile(t, part, []byte("new"))
	require.ErrorIs(t, publish(part, path), fs.ErrExist, "not even one that came meanwhile")
	assert.Equal(t, "something else", string(readFile(t, path)))
}

func TestBackupIsAsPrivateAsTheBook(t *testing.T) {
	path := closedBook(t)
	require.NoError(t, os.Chmod(path, 0o600))
	to := filepath.Join(t.TempDir(), "copy.db")
	_, err := Make(t.Context(), openBook(t, path), to)
	require.NoError(t, err)
	info, err := os.Stat(to)
	require.NoError(t, err)
	assert.Equal(t, fs.FileMode(0o600), info.Mode().Perm())
}

func TestBackupIntoNoFolder(t *testing.T) {
	s := openBook(t, closedBook(t))
	_, err := Make(t.Context(), s, filepath.Join(t.TempDir(), "none", "copy.db"))
	require.ErrorIs(t, err, fs.ErrNotExist)
	assert.Contains(t, store.Sentence(err), "cannot be written")
}

// A relative name without a folder is one in the folder that one stands in.
func TestBackupByNameAlone(t *testing.T) {
	s := openBook(t, closedBook(t))
	t.Chdir(t.TempDir())
	_, err := Make(t.Context(), s, "copy.db")
	require.NoError(t, err)
	assert.Equal(t, []string{"copy.db"}, namesIn(t, "."))
}

// What is wrong with the book is wrong with its copy, and such a copy is not called a backup.
func TestBackupOfADamagedBookIsNotKept(t *testing.T) {
	path := closedBook(t)
	change(t, path, `UPDATE batch SET contents = contents + 1 WHERE id = 'batch1'`)
	s, err := store.OpenReadOnly(path)
	require.NoError(t, err)
	defer s.Close()
	folder := t.TempDir()
	report, err := Make(t.Context(), s, filepath.Join(folder, "copy.db"))
	require.ErrorIs(t, err, ErrDamaged)
	assert.False(t, report.Well())
	assert.Contains(t, store.Sentence(err), "batch batch1")
	assert.Empty(t, namesIn(t, folder))
}
