package main

import (
	"context"
	"fmt"
	"io"

	"pourbook/internal/backup"
)

func runCheck(ctx context.Context, args []string, _ io.Reader, out io.Writer) error {
	flags := newFlags("check", `Reads a book or a backup through: every page and reference of the file, every batch folded from its events again,
and every sum that is kept beside what it sums up. The book may be open in a running server.`, out)
	book := flags.String("book", defaultBook(), "file of the book")
	if err := parse(flags, args); err != nil {
		return err
	}
	if flags.NArg() > 0 {
		return usageError{fmt.Errorf("pourbook check: %q is not understood. Say: pourbook check -book FILE", flags.Arg(0))}
	}
	report, err := backup.Check(ctx, *book)
	if err != nil {
		return err
	}
	for _, found := range report.Found {
		fmt.Fprintln(out, found)
	}
	if n := len(report.Found); n > 0 {
		things := "1 thing is"
		if n > 1 {
			things = fmt.Sprintf("%d things are", n)
		}
		return fmt.Errorf("%s wrong with %s. Stop the server, keep a copy of the file, and put the last good backup in its place: pourbook restore -book %s BACKUP", things, *book, *book)
	}
	fmt.Fprintf(out, "The book is well: %s.\n", report.Summary())
	return nil
}
