package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"pourbook/internal/backup"
)

func runRestore(ctx context.Context, args []string, _ io.Reader, out io.Writer) error {
	flags := newFlags("restore BACKUP", `Puts a backup in the place of the book. The server must be stopped. The backup is read through first; if anything
is wrong with it, the book stays as it is. The file that was there before is kept beside.`, out)
	book := flags.String("book", defaultBook(), "file of the book to replace")
	if err := parse(flags, args); err != nil {
		return err
	}
	if flags.NArg() != 1 {
		return usageError{errors.New("pourbook restore: name one backup, after the flags")}
	}
	if err := os.MkdirAll(filepath.Dir(*book), 0o755); err != nil {
		return fmt.Errorf("make the folder of the book: %w", err)
	}
	restored, err := backup.Restore(ctx, flags.Arg(0), *book, time.Now())
	for _, found := range restored.Found {
		fmt.Fprintln(out, found)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "%s is now the book: %s.\n", flags.Arg(0), restored.Summary())
	if restored.Replaced != "" {
		fmt.Fprintf(out, "What was there before is kept in %s.\n", restored.Replaced)
	}
	return nil
}
