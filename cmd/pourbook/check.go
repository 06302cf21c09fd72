package main

import (
	"context"
	"fmt"
	"io"

	"pourbook/internal/store"
)

func runCheck(ctx context.Context, args []string, _ io.Reader, out io.Writer) error {
	flags := newFlags("check", "Reads a book through: every page, every reference, and every batch folded from its events again.\nThe book may be open in a running server.", out)
	book := flags.String("book", defaultBook(), "file of the book")
	if err := parse(flags, args); err != nil {
		return err
	}
	s, err := store.OpenReadOnly(*book)
	if err != nil {
		return err
	}
	defer s.Close()
	found, err := s.Check(ctx)
	if err != nil {
		return err
	}
	replayed := 0
	for {
		batches, err := s.Batches(ctx, store.BatchFilter{Limit: 100, Offset: replayed})
		if err != nil {
			return err
		}
		if len(batches) == 0 {
			break
		}
		for _, b := range batches {
			replayed++
			state, err := s.State(ctx, b.ID)
			switch {
			case err != nil:
				found = append(found, fmt.Sprintf("batch %s (%s) does not replay: %v", b.ID, b.Title, err))
			case state.Contents() != b.Contents || state.Need() != b.Need:
				found = append(found, fmt.Sprintf("batch %s (%s): its row says %v (%s), its events %v (%s)", b.ID, b.Title, b.Contents, b.Need, state.Contents(), state.Need()))
			}
		}
	}
	for _, f := range found {
		fmt.Fprintln(out, f)
	}
	if len(found) > 0 {
		return fmt.Errorf("%d things are wrong with this book", len(found))
	}
	fmt.Fprintf(out, "The book is well: %d batches replayed.\n", replayed)
	return nil
}
