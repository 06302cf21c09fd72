package backup

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"pourbook/internal/store"
)

// Restored says what a restore did.
type Restored struct {
	Report          // of the backup, after it was brought up to date
	Replaced string // where the file lies that was there before, "" where there was none
}

// Restore puts a backup in the place of a book. The book must not be open in any program (store.ErrLocked). The backup
// is copied beside the book, brought up to date if an older program wrote it, and read through; only if it is well does
// it take the book's place. The backup itself is left as it is, and the file that was there before stays beside under
// the name in Restored.
//
// A power cut on the way leaves the book as it was, or no file in its place and the old one complete beside.
func Restore(ctx context.Context, from, book string, now time.Time) (Restored, error) {
	const doing = "restore a backup"
	source, err := os.Stat(from)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return Restored{}, failed(doing, err, "There is no backup at %s. Check the path.", from)
	case err != nil:
		return Restored{}, failed(doing, err, "%s cannot be read. Check its rights.", from)
	case source.IsDir():
		return Restored{}, failed(doing, store.ErrNotABook, "%s is a folder. Name the file of the backup in it.", from)
	}
	if target, err := os.Stat(book); err == nil && os.SameFile(source, target) {
		return Restored{}, failed(doing, fs.ErrInvalid, "%s is the book itself. Name a backup of it.", from)
	} else if err == nil && target.IsDir() {
		return Restored{}, failed(doing, fs.ErrInvalid, "%s is a folder. Name the file of the book in it.", book)
	}
	unlock, err := store.Lock(book)
	if err != nil {
		return Restored{}, err
	}
	defer func() { _ = unlock() }() // closing a lock file loses nothing

	sweep(book)
	stage, err := os.MkdirTemp(filepath.Dir(book), filepath.Base(book)+stageMark)
	if err != nil {
		return Restored{}, failed(doing, err, "The folder of %s cannot be written. Change its rights, then try again.", book)
	}
	defer func() { _ = os.RemoveAll(stage) }() // of no use by then
	staged := filepath.Join(stage, filepath.Base(book))
	if err := fetch(from, staged); err != nil {
		return Restored{}, renamed(err, staged, from)
	}
	report, err := bringUp(ctx, staged)
	if err != nil {
		return Restored{}, renamed(err, staged, from)
	}
	if !report.Well() {
		return Restored{Report: report}, failed(doing, ErrDamaged, "%s is not well: %s. The book was left as it is. Choose another backup.", from, report.Found[0])
	}
	replaced, err := swap(staged, book, now)
	if err != nil {
		return Restored{}, failed(doing, err, "The backup is well but could not take the place of %s. Check the disk and the rights of its folder, then try again.", book)
	}
	return Restored{report, replaced}, nil
}

// stageMark is in the name of the folder in which a backup lies until it takes the place of the book.
const stageMark = ".restoring-"

// sweep removes what a restore left that was killed on its way. The lock of the book is held, so none is under way.
func sweep(book string) {
	entries, _ := os.ReadDir(filepath.Dir(book)) // where it cannot be read, making the stage fails with a sentence
	for _, e := range entries {
		if e.IsDir() && strings.HasPrefix(e.Name(), filepath.Base(book)+stageMark) {
			_ = os.RemoveAll(filepath.Join(filepath.Dir(book), e.Name())) // the next restore tries again
		}
	}
}

// fetch copies a backup, with its write-ahead log where it has one: a book that was copied by hand, or that an earlier
// restore replaced, may hold its last events there.
func fetch(from, staged string) error {
	const doing = "copy the backup"
	log := from + "-wal"
	if info, err := os.Stat(log); err == nil && info.Size() > 0 {
		unlock, err := store.Lock(from) // whoever writes there now would make half a copy of it
		if err != nil {
			return err
		}
		defer func() { _ = unlock() }() // closing a lock file loses nothing
		if err := copyFile(log, staged+"-wal"); err != nil {
			return failed(doing, err, "%s could not be copied beside the book. Free some space, then try again.", log)
		}
	}
	if err := copyFile(from, staged); err != nil {
		return failed(doing, err, "%s could not be copied beside the book. Free some space, then try again.", from)
	}
	return nil
}

// bringUp makes a staged backup one file in the newest format and reads it through.
func bringUp(ctx context.Context, staged string) (Report, error) {
	s, err := store.OpenReadOnly(staged) // refuses an empty file, where Open would make a new book
	if err == nil {
		err = s.Close()
	}
	if err != nil && !errors.Is(err, store.ErrOlder) {
		return Report{}, err
	}
	if s, err = store.Open(staged); err != nil { // upgrades, and folds the write-ahead log into the file on closing
		return Report{}, err
	}
	if err := s.Close(); err != nil {
		return Report{}, err
	}
	return Check(ctx, staged)
}

// swap gives the staged file the name of the book. The old file and its write-ahead log, without which it would lack its
// last events, get a second name first, and the log loses its own before the new file comes: SQLite would replay
// it over the new one.
func swap(staged, book string, now time.Time) (replaced string, err error) {
	if err := syncFile(staged); err != nil {
		return "", err
	}
	if _, err := os.Lstat(book); err == nil {
		replaced = free(fmt.Sprintf("%s.replaced-%s", book, now.UTC().Format(stampLayout)))
		for _, part := range []string{"", "-wal"} {
			if err := alsoAt(book+part, replaced+part); err != nil && (part == "" || !errors.Is(err, fs.ErrNotExist)) {
				return "", err
			}
		}
		if err := syncFolder(filepath.Dir(book)); err != nil {
			return "", err
		}
	}
	for _, part := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(book + part); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
	}
	if err := os.Rename(staged, book); err != nil {
		return "", err
	}
	return replaced, syncFolder(filepath.Dir(book))
}

// alsoAt gives a file a second name, or copies it where a file has only one.
func alsoAt(path, name string) error {
	err := os.Link(path, name)
	if err == nil || errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrExist) {
		return err
	}
	return copyFile(path, name)
}

// free returns the name, or with a number behind it where it is taken.
func free(name string) string {
	for i := 1; ; i++ {
		try := name
		if i > 1 {
			try = fmt.Sprintf("%s-%d", name, i)
		}
		if _, err := os.Lstat(try); errors.Is(err, fs.ErrNotExist) {
			return try
		}
	}
}

// renamed puts the file that a person named into a sentence that names the one that was worked on.
func renamed(err error, worked, named string) error {
	words := store.Sentence(err)
	if !strings.Contains(words, worked) {
		return err
	}
	return &store.Error{Doing: "read the backup", Sentence: strings.ReplaceAll(words, worked, named), Err: err}
}
