package main

import (
	"context"
	"errors"
	"io"

	"pourbook/internal/formula"
	"pourbook/internal/store"
)

func runExport(ctx context.Context, args []string, _ io.Reader, out io.Writer) error {
	flags := newFlags("export formulas|toners > file.csv", "Writes the newest revision of every formula, or every toner, as CSV that import reads.", out)
	book := flags.String("book", defaultBook(), "file of the book")
	if err := parse(flags, args); err != nil {
		return err
	}
	if flags.NArg() != 1 {
		return usageError{errors.New("pourbook export: say formulas or toners")}
	}
	s, err := store.OpenReadOnly(*book)
	if err != nil {
		return err
	}
	defer s.Close()
	switch flags.Arg(0) {
	case "toners":
		toners, err := s.Toners(ctx, store.TonerFilter{})
		if err != nil {
			return err
		}
		return formula.WriteTonersCSV(out, toners)
	case "formulas":
		entries, err := newest(ctx, s)
		if err != nil {
			return err
		}
		return formula.WriteCSV(out, entries)
	}
	return usageError{errors.New("pourbook export: say formulas or toners")}
}

// newest returns every formula that is not retired with its newest revision.
func newest(ctx context.Context, s *store.Store) ([]formula.Entry, error) {
	var entries []formula.Entry
	err := s.ExportAll(ctx, func(f formula.Formula, r formula.Revision) error {
		if f.Retired {
			return nil
		}
		if n := len(entries); n > 0 && entries[n-1].Formula.ID == f.ID {
			entries[n-1].Lines = r.Lines
			return nil
		}
		entries = append(entries, formula.Entry{Formula: f, Lines: r.Lines})
		return nil
	})
	return entries, err
}
