package backup

import (
	"context"
	"encoding/binary"
	"fmt"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/store"
)

func TestCheckOfAWellBook(t *testing.T) {
	report, err := Check(t.Context(), closedBook(t))
	require.NoError(t, err)
	assert.Empty(t, report.Found)
	assert.True(t, report.Well())
	// A plan, a cup, 3 to 5 pours, stirred, finished.
	assert.Equal(t, Report{Formulas: 1, Revisions: 2, Toners: 3, Batches: 3, Events: 7 + 8 + 9, Cards: 1, Photos: 1, People: 1}, report)
	assert.Equal(t, "1 formula in 2 revisions, 3 toners, 3 batches replayed from 24 events, 1 card with 1 photograph, 1 person", report.Summary())
}

func TestCheckFindsSumsThatDisagree(t *testing.T) {
	for name, c := range map[string]struct{ script, says string }{
		"a row beside its events": {
			`UPDATE batch SET contents = contents + 1 WHERE id = 'batch1'`, "batch batch1 (Garden gate): contents of the cup",
		},
		"an outcome": {`UPDATE batch SET outcome = 'abandoned' WHERE id = 'batch2'`, "batch batch2 (Garden gate): outcome"},
		"an end":     {`UPDATE batch SET ended_at = NULL WHERE id = 'batch2'`, "batch batch2 (Garden gate): ended"},
		"a pour": {
			`DROP TRIGGER event_stays; UPDATE event SET body = json_set(body, '$.reading', json_extract(body, '$.reading') + 50)
				WHERE kind = 'poured' AND step = 3 AND batch = (SELECT number FROM batch WHERE id = 'batch0')`, "batch batch0 (Garden gate)",
		},
		"an event that is no event": {
			`DROP TRIGGER event_stays; UPDATE event SET body = '[]' WHERE seq = 1 AND batch = (SELECT number FROM batch WHERE id = 'batch0')`,
			"batch batch0 (Garden gate) does not replay",
		},
		"a lost event": {
			`DROP TRIGGER event_is_kept; DELETE FROM event WHERE seq = 3 AND batch = (SELECT number FROM batch WHERE id = 'batch0')`,
			"batch batch0 (Garden gate) does not replay",
		},
		"all events of a batch": {
			`DROP TRIGGER event_is_kept; DELETE FROM event WHERE batch = (SELECT number FROM batch WHERE id = 'batch0')`,
			"batch batch0 (Garden gate) does not replay",
		},
		"a total": {
			`DROP TRIGGER revision_stays; UPDATE revision SET total = total + 1 WHERE number = 1`, "formula 1 (Garden gate), revision 1: its total says",
		},
		"a line": {
			`DROP TRIGGER line_is_kept; DELETE FROM line WHERE revision_id = (SELECT id FROM revision WHERE number = 2) AND position = 2`,
			"formula 1 (Garden gate), revision 2: its total says",
		},
		"a revision": {
			`PRAGMA foreign_keys = 0; DROP TRIGGER line_is_kept; DELETE FROM line WHERE revision_id = (SELECT id FROM revision WHERE number = 1)`,
			"formula 1 (Garden gate): revision 2 follows revision 0",
		},
		"a toner that is used": {`PRAGMA foreign_keys = 0; DELETE FROM toner WHERE name = 'Chalk'`, "row of line points nowhere"},
		"a photograph":         {`PRAGMA foreign_keys = 0; DELETE FROM photo`, "card 1 of formula 1, its photograph cannot be read"},
		"a history":            {`DROP TRIGGER card_save_is_kept; DELETE FROM card_save`, "card 1 of formula 1, its history cannot be read"},
		"a setting":            {`INSERT OR REPLACE INTO setting (name, value, updated_at) VALUES ('currency', '7', 0)`, "the shop's settings cannot be read"},
		"an index": {
			`PRAGMA writable_schema = 1; UPDATE sqlite_schema SET sql = 'CREATE INDEX batch_open ON batch (created_at)' WHERE name = 'batch_open'`,
			"the file: row 1 missing from index batch_open",
		},
	} {
		t.Run(name, func(t *testing.T) {
			path := closedBook(t)
			change(t, path, c.script)
			report, err := Check(t.Context(), path)
			require.NoError(t, err)
			assert.False(t, report.Well())
			assert.Contains(t, fmt.Sprintf("%q", report.Found), c.says)
		})
	}
}

// Junk at the beginning of any page is noticed, whatever the page is for.
func TestCheckFindsEveryDamagedPage(t *testing.T) {
	path := closedBook(t)
	whole := readFile(t, path)
	size := int(binary.BigEndian.Uint16(whole[16:])) // https://www.sqlite.org/fileformat2.html 1.3
	require.Zero(t, binary.BigEndian.Uint32(whole[36:]), "no page of this book is free")
	require.Greater(t, len(whole)/size, 30)
	refused := 0
	for at := 0; at < len(whole); at += size {
		damaged := append([]byte(nil), whole...)
		for i := range 64 {
			damaged[at+i] = 0xd5
		}
		copied := filepath.Join(t.TempDir(), "book.db")
		writeFile(t, copied, damaged)
		report, err := Check(t.Context(), copied)
		if err != nil {
			refused++
			assert.NotEmpty(t, store.Sentence(err), "page %d: %v", at/size+1, err)
			continue
		}
		assert.NotEmpty(t, report.Found, "page %d", at/size+1)
	}
	assert.Less(t, refused, 12, "only what the schema itself needs keeps a book from being opened")
}

func TestCheckOfWhatIsNoBook(t *testing.T) {
	folder := t.TempDir()
	for name, data := range map[string]string{"empty.db": "", "text.db": "white 700\nblue 250\n"} {
		path := filepath.Join(folder, name)
		writeFile(t, path, []byte(data))
		_, err := Check(t.Context(), path)
		require.ErrorIs(t, err, store.ErrNotABook)
		assert.Contains(t, store.Sentence(err), path)
	}
	_, err := Check(t.Context(), filepath.Join(folder, "none.db"))
	require.Error(t, err)
	assert.Contains(t, store.Sentence(err), "There is no book")
}

func TestCheckStopsWhenAsked(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := Check(ctx, closedBook(t))
	require.ErrorIs(t, err, context.Canceled)
}

// A book that is poured into while it is checked is never called wrong.
func TestCheckWhilePouring(t *testing.T) {
	s := openBook(t, filepath.Join(t.TempDir(), "book.db"))
	stock(t, s)
	var work sync.WaitGroup
	var stop atomic.Bool
	for i := range 4 {
		work.Go(func() {
			for n := 0; !stop.Load(); n++ {
				h := &hand{store: s, batch: fmt.Sprintf("hand%d-%d", i, n)}
				for !h.state.Ended() && !stop.Load() {
					if !assert.NoError(t, h.step(3)) {
						return
					}
				}
			}
		})
	}
	last := 0
	for i := 0; i < 8 || last == 0; i++ {
		report, err := Check(t.Context(), s.Path())
		require.NoError(t, err)
		assert.Empty(t, report.Found)
		assert.GreaterOrEqual(t, report.Events, last)
		last = report.Events
	}
	stop.Store(true)
	work.Wait()
}
