package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"pourbook/internal/backup"
	"pourbook/internal/store"
)

func runBackup(ctx context.Context, args []string, _ io.Reader, out io.Writer) error {
	flags := newFlags("backup FILE|FOLDER", `Writes a whole copy of the book, also while a server pours into it, and reads it back.
In a folder the copy is named for the book and the time. Nothing is ever overwritten.
`+"`pourbook serve -backup-to FOLDER`"+` makes one every day.`, out)
	book := flags.String("book", defaultBook(), "file of the book")
	if err := parse(flags, args); err != nil {
		return err
	}
	if flags.NArg() != 1 {
		return usageError{errors.New("pourbook backup: name one file or folder to keep the backup in, after the flags")}
	}
	path := flags.Arg(0)
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		path = filepath.Join(path, backup.Name(*book, time.Now()))
	}
	s, err := store.OpenReadOnly(*book)
	if err != nil {
		return err
	}
	defer s.Close()
	report, err := backup.Make(ctx, s, path)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "Kept in %s and read back: %s.\n", path, report.Summary())
	return nil
}

// checkBackupFolder refuses the folder of the book for its daily backups: what takes one would take the other. A folder
// that is missing is no reason not to open the shop; it may be on a disk that is connected later.
func checkBackupFolder(folder, book string) error {
	if folder == "" {
		return nil
	}
	to, err := os.Stat(folder)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil || !to.IsDir() {
		return usageError{fmt.Errorf("pourbook serve: -backup-to takes a folder, and %s is none", folder)}
	}
	if of, err := os.Stat(filepath.Dir(book)); err == nil && os.SameFile(of, to) {
		return usageError{errors.New("pourbook serve: -backup-to takes another folder than the book's, best on another disk")}
	}
	return nil
}
