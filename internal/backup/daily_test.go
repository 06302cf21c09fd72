package backup

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/store"
)

func TestNameOfABackup(t *testing.T) {
	const book = "/shop/my book.db"
	name := Name(book, time.Date(2026, 5, 4, 1, 30, 0, 0, time.FixedZone("", 2*3600)))
	assert.Equal(t, "my book-20260503T233000Z.db", name)
	made, ours := timeOf(book, name)
	assert.True(t, ours)
	assert.Equal(t, time.Date(2026, 5, 3, 23, 30, 0, 0, time.UTC), made)
	for _, other := range []string{
		"my book.db", "my book-20260503T233000Z.db.part-1", "my book-20260503T233000Z.db-wal", "other-20260503T233000Z.db", "my book-20260503.db",
		"my book-20261303T233000Z.db", "my book-old-20260503T233000Z.db", "my book-20260503T233000Z.txt", "my book-20260503T233000.5Z.db", "",
	} {
		_, ours := timeOf(book, other)
		assert.False(t, ours, other)
	}
}

// rotated makes a backup at every time in turn and deletes after each what is no longer kept.
func rotated(times []time.Time) []time.Time {
	var made []time.Time
	for _, now := range times {
		made = append(made, now)
		keep := kept(made, time.UTC)
		var left []time.Time
		for _, t := range made {
			if keep[t.Unix()] {
				left = append(left, t)
			}
		}
		made = left
	}
	return made
}

func TestRotationAfterThreeYears(t *testing.T) {
	var days []time.Time
	for d := time.Date(2023, 6, 1, 8, 0, 0, 0, time.UTC); d.Before(time.Date(2026, 6, 11, 0, 0, 0, 0, time.UTC)); d = d.AddDate(0, 0, 1) {
		days = append(days, d)
	}
	var left []string
	for _, at := range rotated(days) {
		left = append(left, at.Format("2006-01-02"))
	}
	// Counted on a calendar: 10 June 2026 is a Wednesday.
	assert.Equal(t, []string{
		"2025-07-31", "2025-08-31", "2025-09-30", "2025-10-31", "2025-11-30", "2025-12-31",
		"2026-01-31", "2026-02-28", "2026-03-31", "2026-04-30", // ends of months; that of June is the last day
		"2026-05-24", // Sunday: with the Sundays below and the last day, four weeks
		"2026-05-31", // Sunday and the end of May
		"2026-06-04", "2026-06-05", "2026-06-06", "2026-06-07", "2026-06-08", "2026-06-09", "2026-06-10",
	}, left)
}

func TestRotationKeepsWhatAShutShopHas(t *testing.T) {
	old := rotated([]time.Time{noon, noon.AddDate(0, 0, 1), noon.AddDate(0, 0, 2)})
	require.Len(t, old, 3)
	assert.Len(t, rotated(append(old, noon.AddDate(3, 0, 0))), 4, "three years later the old ones are still there")
}

func TestRotationKeepsTheNewestAndNotTooMany(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var times []time.Time
		for _, hours := range rapid.SliceOfN(rapid.IntRange(0, 4*365*24), 1, 200).Draw(t, "hours") {
			times = append(times, noon.Add(time.Duration(hours)*time.Hour))
		}
		keep := kept(times, time.UTC)
		if len(keep) > Days+Weeks+Months {
			t.Fatalf("%d are kept", len(keep))
		}
		days := map[string]bool{}
		newest := times[0]
		for _, at := range times {
			days[dayOf(at)] = true
			if at.After(newest) {
				newest = at
			}
		}
		if !keep[newest.Unix()] {
			t.Fatal("the newest is not kept")
		}
		if len(keep) < min(Days, len(days)) {
			t.Fatalf("%d of %d days are kept", len(keep), len(days))
		}
		var left []time.Time
		for _, at := range times {
			if keep[at.Unix()] {
				left = append(left, at)
			}
		}
		if again := kept(left, time.UTC); len(again) != len(keep) {
			t.Fatal("rotation without a new backup deletes more")
		}
	})
}

func TestOneBackupADay(t *testing.T) {
	s := openBook(t, closedBook(t))
	folder := t.TempDir()
	for _, name := range []string{"notes.txt", "book.db", "other-20200101T000000Z.db"} {
		writeFile(t, filepath.Join(folder, name), []byte("not ours"))
	}
	unfinished := filepath.Join(folder, "book-20260501T060000Z.db.part-123")
	require.NoError(t, os.Mkdir(unfinished, 0o700))
	writeFile(t, filepath.Join(unfinished, "book-20260501T060000Z.db"), []byte("half"))

	now := time.Date(2026, 5, 4, 7, 0, 0, 0, time.FixedZone("", 9*3600)) // 3 May by UTC
	d := Daily{Store: s, Folder: folder, Now: func() time.Time { return now }, Log: slog.New(slog.DiscardHandler)}
	once := func() string {
		t.Helper()
		path, err := d.Once(t.Context())
		require.NoError(t, err)
		return path
	}
	first := once()
	assert.Equal(t, filepath.Join(folder, "book-20260503T220000Z.db"), first)
	report, err := Check(t.Context(), first)
	require.NoError(t, err)
	assert.True(t, report.Well())
	assert.NoDirExists(t, unfinished)

	now = now.Add(16 * time.Hour)
	assert.Empty(t, once(), "one a day is enough, by the shop's clock")
	now = now.Add(2 * time.Hour)
	second := once()
	assert.Equal(t, filepath.Join(folder, "book-20260504T160000Z.db"), second)
	now = now.AddDate(0, 0, -40) // the clock was wrong
	third := once()
	assert.FileExists(t, third)
	for range 20 {
		now = now.AddDate(0, 0, 1)
		once()
	}
	left := strings.Join(namesIn(t, folder), " ")
	assert.Contains(t, left, filepath.Base(first))
	assert.Contains(t, left, filepath.Base(second))
	assert.NotContains(t, left, filepath.Base(third), "thirty days later in the same month")
	for _, name := range []string{"notes.txt", "book.db", "other-20200101T000000Z.db"} {
		assert.Equal(t, "not ours", string(readFile(t, filepath.Join(folder, name))))
	}
}

// The backup that was just made stays, even where a clock that was wrong left so many of the future that no rule keeps it.
func TestRotationNeverDeletesTheOneJustMade(t *testing.T) {
	s := openBook(t, closedBook(t))
	folder := t.TempDir()
	for i := range 30 {
		writeFile(t, filepath.Join(folder, Name(s.Path(), noon.AddDate(1, i, i))), []byte("of the future"))
	}
	d := Daily{Store: s, Folder: folder, Now: func() time.Time { return noon }, Log: slog.New(slog.DiscardHandler)}
	path, err := d.Once(t.Context())
	require.NoError(t, err)
	assert.FileExists(t, path)
	assert.Less(t, len(namesIn(t, folder)), 30)
}

func TestDailyBackupIntoAMissingFolder(t *testing.T) {
	s := openBook(t, closedBook(t))
	d := Daily{Store: s, Folder: filepath.Join(t.TempDir(), "stick"), Now: time.Now, Log: slog.New(slog.DiscardHandler)}
	_, err := d.Once(t.Context())
	require.Error(t, err)
	assert.Contains(t, store.Sentence(err), "Connect its disk")
	assert.NoDirExists(t, d.Folder, "a stick that is not there is not replaced by a folder")
}

// Days go by in a moment here: the clock is the test's. A folder that comes back has its backup within the hour.
func TestDailyGoesOn(t *testing.T) {
	path := closedBook(t)
	folder := filepath.Join(t.TempDir(), "stick")
	synctest.Test(t, func(t *testing.T) {
		s, err := store.OpenReadOnly(path)
		require.NoError(t, err)
		var log strings.Builder
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan struct{})
		go func() {
			defer close(done)
			Daily{Store: s, Folder: folder, Now: func() time.Time { return time.Now().UTC() }, Log: slog.New(slog.NewTextHandler(&log, nil))}.Run(ctx)
		}()
		time.Sleep(2 * time.Hour)
		synctest.Wait()
		require.NoError(t, os.Mkdir(folder, 0o700))
		time.Sleep(70 * time.Hour)
		cancel()
		<-done
		require.NoError(t, s.Close())
		assert.Len(t, namesIn(t, folder), 3, fmt.Sprint(namesIn(t, folder)))
		assert.Contains(t, log.String(), "Connect its disk")
		assert.LessOrEqual(t, strings.Count(log.String(), "Connect its disk"), 10, "no log that grows without end")
		assert.Equal(t, 3, strings.Count(log.String(), "backup made and read back"))
	})
}
