package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"pourbook/internal/formula"
	"pourbook/internal/store"
)

func runImport(ctx context.Context, args []string, _ io.Reader, out io.Writer) error {
	flags := newFlags("import", "Puts toners and formulas from CSV files into a book: all of a file, or nothing of it.\nThe columns are those that export writes.", out)
	book := flags.String("book", defaultBook(), "file of the book")
	toners := flags.String("toners", "", "CSV file of toners")
	formulas := flags.String("formulas", "", "CSV file of formulas")
	if err := parse(flags, args); err != nil {
		return err
	}
	if *toners == "" && *formulas == "" {
		return usageError{errors.New("pourbook import: name a file with -toners or -formulas")}
	}
	s, err := store.Open(*book)
	if err != nil {
		return err
	}
	defer s.Close()
	if *toners != "" {
		if err := importFile(*toners, func(r io.Reader) error { return importToners(ctx, s, r, out) }); err != nil {
			return err
		}
	}
	if *formulas != "" {
		return importFile(*formulas, func(r io.Reader) error { return importFormulas(ctx, s, r, out) })
	}
	return nil
}

func importFile(path string, do func(io.Reader) error) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	return do(f)
}

func importToners(ctx context.Context, s *store.Store, r io.Reader, out io.Writer) error {
	preview, err := formula.ReadTonersCSV(r, tonerLookup(ctx, s))
	if err != nil {
		return err
	}
	if !preview.Ready() {
		return refused(preview.Problems, out)
	}
	list := make([]formula.Toner, 0, len(preview.Toners))
	for _, t := range preview.Toners {
		list = append(list, t.Toner)
	}
	if err := s.ImportToners(ctx, list); err != nil {
		return err
	}
	fmt.Fprintf(out, "%d toners are on the shelf.\n", len(list))
	return nil
}

func importFormulas(ctx context.Context, s *store.Store, r io.Reader, out io.Writer) error {
	var failed error // a book that cannot be asked must not look like one that holds nothing
	preview, err := formula.ReadCSV(r, formula.Book{Toner: tonerLookup(ctx, s), Holds: func(f formula.Formula) bool {
		held, err := s.Holds(ctx, f)
		failed = errors.Join(failed, err)
		return held
	}})
	if err := errors.Join(err, failed); err != nil {
		return err
	}
	if !preview.Ready() {
		return refused(preview.Problems, out)
	}
	entries := make([]store.NewEntry, 0, len(preview.Formulas))
	for _, d := range preview.Formulas {
		lines := d.Lines
		if d.Swapped != nil {
			lines = d.Swapped
		}
		entries = append(entries, store.NewEntry{Formula: d.Formula, Revisions: []formula.Revision{{Lines: lines, Note: "imported"}}})
	}
	ids, err := s.ImportFormulas(ctx, entries)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "%d formulas are in the book.\n", len(ids))
	return nil
}

func tonerLookup(ctx context.Context, s *store.Store) func(formula.System, string) (formula.Toner, bool) {
	return func(system formula.System, name string) (formula.Toner, bool) {
		t, err := s.TonerByName(ctx, system, name)
		return t, err == nil
	}
}

// refused prints what is wrong, line by line, and says that nothing was kept.
func refused(problems formula.Problems, out io.Writer) error {
	for _, p := range problems {
		fmt.Fprintln(out, p.Error())
	}
	return errors.New("nothing was imported; correct the lines above and import again")
}
