package backup

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"pourbook/internal/store"
)

// How many backups rotation keeps: the newest of each of the last 7 days that have one, of the last 4 weeks and
// of the last 12 months. Days without a backup do not count, so that a shop that was closed for a year still has them all.
const (
	Days   = 7
	Weeks  = 4 // ISO 8601 weeks, from Monday
	Months = 12
)

// stampLayout is how a time stands in the name of a file: ISO 8601, UTC.
const stampLayout = "20060102T150405Z"

// Name returns the name of a backup of the book at path that is made at t.
func Name(path string, t time.Time) string {
	return stem(path) + "-" + t.UTC().Format(stampLayout) + ".db"
}

func stem(path string) string {
	name := filepath.Base(path)
	return strings.TrimSuffix(name, filepath.Ext(name))
}

// timeOf returns when a backup of the book at path was made, by its name; false for every other file.
func timeOf(path, name string) (time.Time, bool) {
	rest, ours := strings.CutPrefix(name, stem(path)+"-")
	if !ours {
		return time.Time{}, false
	}
	t, err := time.Parse(stampLayout+".db", rest)
	return t, err == nil && Name(path, t) == name
}

// Daily makes a backup a day of one book into a folder, which should be on another disk, and deletes the oldest ones.
// Each book needs a folder of its own.
type Daily struct {
	Store  *store.Store
	Folder string
	Now    func() time.Time // its location says when a day begins
	Log    *slog.Logger
}

// The times of the daily backup. Common practice, no source.
const (
	lookEvery  = time.Minute // the clock is looked at, since a timer stands still while a machine sleeps
	retryAfter = 15 * time.Minute
)

// Run makes a backup at once where there is none of today, and then one early in each day, until ctx ends.
// One that fails is logged with its sentence and tried again: pouring goes on in any case.
func (d Daily) Run(ctx context.Context) {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	var failedAt time.Time
	for {
		if failedAt.IsZero() || d.Now().Sub(failedAt).Abs() >= retryAfter {
			failedAt = time.Time{}
			path, err := d.Once(ctx)
			switch {
			case ctx.Err() != nil:
				return
			case err != nil:
				failedAt = d.Now()
				said := store.Sentence(err)
				if said == "" {
					said = "The daily backup failed."
				}
				d.Log.Error("no backup was made", "sentence", said, "cause", err)
			case path != "":
				d.Log.Info("backup made and read back", "file", path)
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// Once makes the backup of today unless there is one, and then deletes what rotation no longer keeps. It returns the
// new file, "" where there was one already.
func (d Daily) Once(ctx context.Context) (string, error) {
	now := d.Now()
	made, err := d.list()
	if err != nil {
		return "", failed("make the daily backup", err, "The folder %s for backups cannot be read. Connect its disk or choose another folder.", d.Folder)
	}
	for _, t := range made {
		if dayOf(t.In(now.Location())) == dayOf(now) {
			return "", nil
		}
	}
	path := filepath.Join(d.Folder, Name(d.Store.Path(), now))
	if _, err := Make(ctx, d.Store, path); err != nil {
		return "", err
	}
	return path, d.rotate(now)
}

// list returns the times of the backups of this book in the folder.
func (d Daily) list() ([]time.Time, error) {
	entries, err := os.ReadDir(d.Folder)
	if err != nil {
		return nil, err
	}
	var made []time.Time
	for _, e := range entries {
		if t, ours := timeOf(d.Store.Path(), e.Name()); ours && e.Type().IsRegular() {
			made = append(made, t)
		}
	}
	return made, nil
}

// rotate deletes the backups that are no longer kept, and what a power cut left of one that was never finished.
// It runs only after a new backup was found well, which it never deletes.
func (d Daily) rotate(now time.Time) error {
	const doing = "delete old backups"
	made, err := d.list()
	if err != nil {
		return failed(doing, err, "The folder %s for backups cannot be read. Check its disk.", d.Folder)
	}
	keep := kept(made, now.Location())
	keep[now.Unix()] = true
	var gone []error
	remove := func(name string) {
		if err := os.RemoveAll(filepath.Join(d.Folder, name)); err != nil {
			gone = append(gone, err)
		}
	}
	for _, t := range made {
		if !keep[t.Unix()] {
			remove(Name(d.Store.Path(), t))
		}
	}
	entries, err := os.ReadDir(d.Folder)
	if err != nil {
		gone = append(gone, err)
	}
	for _, e := range entries {
		name, _, part := strings.Cut(e.Name(), partMark)
		t, ours := timeOf(d.Store.Path(), name)
		if part && ours && e.IsDir() && now.Sub(t) > 24*time.Hour {
			remove(e.Name())
		}
	}
	if err := errors.Join(gone...); err != nil {
		return failed(doing, err, "Old backups in %s could not be deleted. Check the rights of the folder.", d.Folder)
	}
	return nil
}

// kept returns which of the backups made at these times stay, by their seconds since 1970.
func kept(made []time.Time, at *time.Location) map[int64]bool {
	newestFirst := slices.SortedFunc(slices.Values(made), func(a, b time.Time) int { return b.Compare(a) })
	keep := map[int64]bool{}
	for _, rule := range []struct {
		most   int
		period func(time.Time) string
	}{
		{Days, dayOf}, {Weeks, weekOf}, {Months, monthOf},
	} {
		had := map[string]bool{}
		for _, t := range newestFirst {
			if p := rule.period(t.In(at)); !had[p] && len(had) < rule.most {
				had[p] = true
				keep[t.Unix()] = true
			}
		}
	}
	return keep
}

func dayOf(t time.Time) string   { return t.Format("2006-01-02") }
func monthOf(t time.Time) string { return t.Format("2006-01") }

func weekOf(t time.Time) string {
	year, week := t.ISOWeek()
	return fmt.Sprintf("%d-W%02d", year, week)
}
