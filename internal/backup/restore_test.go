package backup

import (
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/store"
)

func TestRestorePutsTheBackupInPlace(t *testing.T) {
	book := closedBook(t)
	to := filepath.Join(t.TempDir(), "copy.db")
	s, err := store.Open(book)
	require.NoError(t, err)
	before, err := s.Events(t.Context(), "batch1")
	require.NoError(t, err)
	made, err := Make(t.Context(), s, to)
	require.NoError(t, err)
	fill(t, s, "later", 3)
	require.NoError(t, s.Close())
	copied := readFile(t, to)

	restored, err := Restore(t.Context(), to, book, noon)
	require.NoError(t, err)
	assert.Equal(t, made, restored.Report)
	assert.Equal(t, copied, readFile(t, to), "the backup is left as it is")
	assert.Equal(t, book+".replaced-20260504T120000Z", restored.Replaced)

	s = openBook(t, book)
	after, err := s.Events(t.Context(), "batch1")
	require.NoError(t, err)
	assert.Equal(t, before, after)
	_, err = s.Events(t.Context(), "later")
	require.ErrorIs(t, err, store.ErrNotFound)
	old, err := store.OpenReadOnly(restored.Replaced)
	require.NoError(t, err)
	defer old.Close()
	_, err = old.Events(t.Context(), "later")
	require.NoError(t, err, "what came after the backup is in the file that was replaced")
	fill(t, s, "goes on", 3)
}

func TestRestoreWhereThereWasNoBook(t *testing.T) {
	book := filepath.Join(t.TempDir(), "new.db")
	restored, err := Restore(t.Context(), closedBook(t), book, noon)
	require.NoError(t, err)
	assert.Empty(t, restored.Replaced)
	assert.Equal(t, 3, restored.Batches)
	assert.ElementsMatch(t, []string{"new.db", "new.db.lock"}, namesIn(t, filepath.Dir(book)))
}

// A server that was killed leaves its last events in the write-ahead log. They are neither lost with the file that is
// replaced nor replayed over the one that comes.
func TestRestoreOverTheBookOfAKilledServer(t *testing.T) {
	backup := closedBook(t)
	live := closedBook(t)
	s := openBook(t, live)
	fill(t, s, "in the log", 5)
	book := filepath.Join(t.TempDir(), "book.db")
	writeFile(t, book, readFile(t, live)) // as a killed process leaves them
	log := readFile(t, live+"-wal")
	require.NotEmpty(t, log)
	writeFile(t, book+"-wal", log)

	restored, err := Restore(t.Context(), backup, book, noon)
	require.NoError(t, err)
	report, err := Check(t.Context(), book)
	require.NoError(t, err)
	assert.Empty(t, report.Found)
	assert.Equal(t, 3, report.Batches, "the old log was not replayed over the backup")

	again, err := Restore(t.Context(), restored.Replaced, book, noon)
	require.NoError(t, err)
	assert.Equal(t, 4, again.Batches, "what was replaced has everything, the log too")
	assert.Equal(t, book+".replaced-20260504T120000Z-2", again.Replaced)
	_, err = openBook(t, book).Events(t.Context(), "in the log")
	require.NoError(t, err)
}

func TestRestoreRefuses(t *testing.T) {
	backup := closedBook(t)
	whole := readFile(t, backup)
	beside := func(name string, data []byte) string {
		path := filepath.Join(t.TempDir(), name)
		writeFile(t, path, data)
		return path
	}
	newer := append([]byte(nil), whole...)
	binary.BigEndian.PutUint32(newer[60:], 99) // user_version, https://www.sqlite.org/fileformat2.html 1.3
	damaged := append([]byte(nil), whole...)
	for at := 4096; at < len(damaged); at += 4096 * 3 {
		copy(damaged[at:], make([]byte, 64))
	}
	wrong := beside("wrong.db", whole)
	change(t, wrong, `UPDATE batch SET contents = contents + 1 WHERE id = 'batch1'`)

	for name, c := range map[string]struct {
		from string
		is   error
		says string
	}{
		"nothing there":     {filepath.Join(t.TempDir(), "none.db"), os.ErrNotExist, "There is no backup at"},
		"a folder":          {t.TempDir(), store.ErrNotABook, "is a folder"},
		"an empty file":     {beside("empty.db", nil), store.ErrNotABook, "is empty and not a book"},
		"half a file":       {beside("half.db", whole[:len(whole)/2]), nil, "half.db"},
		"another file":      {beside("text.db", []byte("white 700, blue 250, and so on")), store.ErrNotABook, "text.db is not a book"},
		"a damaged one":     {beside("damaged.db", damaged), nil, "damaged.db"},
		"sums that differ":  {wrong, ErrDamaged, "batch batch1"},
		"a newer program's": {beside("newer.db", newer), store.ErrNewer, "newer.db was written by a newer Pourbook"},
	} {
		t.Run(name, func(t *testing.T) {
			book := closedBook(t)
			before, names := readFile(t, book), namesIn(t, filepath.Dir(book))
			_, err := Restore(t.Context(), c.from, book, noon)
			require.Error(t, err)
			if c.is != nil {
				require.ErrorIs(t, err, c.is)
			}
			assert.Contains(t, store.Sentence(err), c.says)
			assert.NotContains(t, store.Sentence(err), ".restoring-")
			assert.Equal(t, before, readFile(t, book), "the book is left as it is")
			assert.Equal(t, names, namesIn(t, filepath.Dir(book)), "nothing is left beside")
		})
	}

	t.Run("a book that is open", func(t *testing.T) {
		s := openBook(t, closedBook(t))
		_, err := Restore(t.Context(), backup, s.Path(), noon)
		require.ErrorIs(t, err, store.ErrLocked)
		assert.Contains(t, store.Sentence(err), "Close that one first")
		fill(t, s, "goes on", 3)
	})
	t.Run("a book over itself", func(t *testing.T) {
		book := closedBook(t)
		_, err := Restore(t.Context(), book, book, noon)
		require.Error(t, err)
		assert.Contains(t, store.Sentence(err), "the book itself")
	})
	t.Run("from a book that is poured into", func(t *testing.T) {
		s := openBook(t, closedBook(t))
		fill(t, s, "in the log", 3)
		_, err := Restore(t.Context(), s.Path(), closedBook(t), noon)
		require.ErrorIs(t, err, store.ErrLocked)
	})
}

// A backup that an older program made is brought up to date on the way; the backup stays as that program knows it.
func TestRestoreOfOlderBackups(t *testing.T) {
	kept, err := filepath.Glob("../../testdata/store/schema_v*.db")
	require.NoError(t, err)
	require.NotEmpty(t, kept)
	for _, from := range kept {
		before := readFile(t, from)
		book := filepath.Join(t.TempDir(), "book.db")
		restored, err := Restore(t.Context(), from, book, time.Now())
		require.NoError(t, err, from)
		assert.Positive(t, restored.Batches)
		assert.Equal(t, before, readFile(t, from))
		assert.ElementsMatch(t, []string{"book.db", "book.db.lock"}, namesIn(t, filepath.Dir(book)), fmt.Sprint(from))
		require.NoError(t, openBook(t, book).Close())
	}
}
