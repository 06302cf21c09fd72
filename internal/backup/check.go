package backup

import (
	"context"
	"errors"
	"fmt"
	"time"

	"pourbook/internal/store"
)

// Report is what a check read and what it found wrong.
type Report struct {
	Formulas, Revisions, Toners, Batches, Events, Cards, Photos, People int

	Found []string // one sentence each, in the order of reading; none where all is well
}

// Well reports whether nothing is wrong.
func (r Report) Well() bool { return len(r.Found) == 0 }

// Summary says in one sentence what was read.
func (r Report) Summary() string {
	return fmt.Sprintf("%s in %s, %s, %s replayed from %s, %s with %s, %s",
		count(r.Formulas, "formula"), count(r.Revisions, "revision"), count(r.Toners, "toner"), count(r.Batches, "batch"),
		count(r.Events, "event"), count(r.Cards, "card"), count(r.Photos, "photograph"), count(r.People, "person"))
}

func count(n int, what string) string {
	switch {
	case n == 1:
		return "1 " + what
	case what == "batch":
		return fmt.Sprintf("%d batches", n)
	case what == "person":
		return fmt.Sprintf("%d people", n)
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// Check reads the book in a file through: every page and reference of the file; every revision of every formula, whose
// lines have to add up to the total that is kept beside them; every batch folded from its events again, whose sums have
// to be those of its row; every card with its history and photograph; toners, people and settings. Another program may be
// pouring into the book meanwhile.
//
// What is wrong with the book stands in the report. The error is of a file that cannot be opened as a book at all, or of
// a ctx that ended.
func Check(ctx context.Context, path string) (Report, error) {
	s, err := store.OpenReadOnly(path)
	if err != nil {
		return Report{}, err
	}
	c := checker{store: s, seen: map[string]bool{}}
	c.file(ctx)
	c.formulas(ctx)
	c.batches(ctx)
	c.cards(ctx)
	c.shop(ctx)
	if err := ctx.Err(); err != nil {
		_ = s.Close() // the end of ctx is the one to report
		return Report{}, err
	}
	return c.report, s.Close()
}

// rowsAtOnce is how many rows of a list are read in one go.
const rowsAtOnce = 200

type checker struct {
	store  *store.Store
	report Report
	seen   map[string]bool // batches
}

func (c *checker) wrong(format string, args ...any) {
	c.report.Found = append(c.report.Found, fmt.Sprintf(format, args...))
}

// unread notes what could not be read, with the words of the reason.
func (c *checker) unread(what string, err error) {
	c.wrong("%s cannot be read: %s", what, reason(err))
}

// reason returns the cause alone. What to do next is said once, by the command, and not for every row.
func reason(err error) string {
	var own *store.Error
	if errors.Is(err, store.ErrNotABook) {
		return "the file is damaged there"
	}
	if errors.As(err, &own) {
		return own.Err.Error()
	}
	return err.Error()
}

func (c *checker) file(ctx context.Context) {
	found, err := c.store.Check(ctx)
	for _, f := range found {
		c.wrong("the file: %s", f)
	}
	if err != nil {
		c.unread("a page of the file", err)
	}
}

// formulas lists the formulas first and reads their revisions then, so that one saved in between is only ever more.
func (c *checker) formulas(ctx context.Context) {
	type listed struct {
		hit  store.Hit
		read int // number of the last revision that was read
	}
	var order []int64
	list := map[int64]*listed{}
	for offset := 0; ; offset += rowsAtOnce {
		page, err := c.store.Search(ctx, store.Query{Retired: true, Limit: rowsAtOnce, Offset: offset})
		if err != nil {
			c.unread("the list of formulas", err)
			break
		}
		for _, hit := range page.Hits {
			if list[hit.Formula.ID] == nil {
				order, list[hit.Formula.ID] = append(order, hit.Formula.ID), &listed{hit: hit}
			}
		}
		if !page.More {
			break
		}
	}
	for _, id := range order {
		l := list[id]
		name := fmt.Sprintf("formula %d (%s)", id, l.hit.Formula.Name)
		c.report.Formulas++
		revisions, err := c.store.Revisions(ctx, id)
		if err != nil {
			c.unread(name, err)
			continue
		}
		for i := len(revisions) - 1; i >= 0; i-- { // oldest first
			r := revisions[i]
			c.report.Revisions++
			if r.Number != l.read+1 {
				c.wrong("%s: revision %d follows revision %d", name, r.Number, l.read)
			}
			l.read = r.Number
			sum := zero(r.Total)
			for _, line := range r.Lines {
				sum += line.Mass
			}
			if sum != r.Total {
				c.wrong("%s, revision %d: its total says %v, its lines add up to %v", name, r.Number, r.Total, sum)
			}
			if r.Number == l.hit.Revision && (r.Total != l.hit.Total || len(r.Lines) != l.hit.Lines) {
				c.wrong("%s, revision %d: the list says %v in %d lines, it holds %v in %d", name, r.Number, l.hit.Total, l.hit.Lines, r.Total, len(r.Lines))
			}
		}
		if l.read == 0 || l.read < l.hit.Revision {
			c.wrong("%s: its newest revision is missing", name)
		}
	}
}

func (c *checker) batches(ctx context.Context) {
	for offset := 0; ; offset += rowsAtOnce {
		rows, err := c.store.Batches(ctx, store.BatchFilter{Limit: rowsAtOnce, Offset: offset})
		if err != nil {
			c.unread("the list of batches", err)
			return
		}
		for _, b := range rows {
			if !c.seen[b.ID] { // a batch that is planned meanwhile moves the others on
				c.seen[b.ID] = true
				c.batch(ctx, b)
			}
		}
		if len(rows) < rowsAtOnce {
			return
		}
	}
}

// triesMost is how often the row and the events of a batch are read again that is being poured at this moment.
const triesMost = 50

func (c *checker) batch(ctx context.Context, b store.Batch) {
	name := fmt.Sprintf("batch %s (%s)", b.ID, b.Title)
	c.report.Batches++
	defer func() { // a damaged event may hold numbers that no rule foresees; the batches after it are read all the same
		if p := recover(); p != nil {
			c.wrong("%s does not replay: %v", name, p)
		}
	}()
	for try := 1; ; try++ {
		state, err := c.store.State(ctx, b.ID)
		if err != nil {
			c.wrong("%s does not replay: %s", name, reason(err))
			return
		}
		outcome, kept := "", zero(b.Kept)
		switch {
		case state.Finish != nil:
			outcome, kept = "finished", state.Finish.Kept
		case state.GivenUp != nil:
			outcome = "abandoned"
		}
		var differs []string
		for _, column := range []struct {
			what        string
			row, events any
		}{
			{"what is to be done", b.Need, state.Need()},
			{"decisions", b.Decided, state.Decided},
			{"total", b.Total, state.Total},
			{"colour in the cup", b.Colour, state.Colour()},
			{"contents of the cup", b.Contents, state.Contents()},
			{"left in the mixing cup", b.Left, state.Left},
			{"drawn off", b.Drawn, state.Drawn},
			{"tipped away", b.Tipped, state.Tipped},
			{"kept", b.Kept, kept},
			{"outcome", b.Outcome, outcome},
			{"started by", b.StartedBy, state.StartedBy},
			{"activated", b.ActivatedAt.UnixMilli(), state.ActivatedAt.UnixMilli()},
			{"ended", b.EndedAt.UnixMilli(), state.EndedAt.UnixMilli()},
		} {
			if column.row != column.events {
				differs = append(differs, fmt.Sprintf("%s: its row says %v, its events say %v", column.what, column.row, column.events))
			}
		}
		if len(differs) > 0 && try < triesMost {
			now, err := c.row(ctx, b)
			if err != nil {
				c.unread(name, err)
				return
			}
			if now != b { // poured into between the two readings
				b = now
				continue
			}
		}
		c.report.Events += state.Seq
		for _, d := range differs {
			c.wrong("%s: %s", name, d)
		}
		return
	}
}

func zero[T any](T) (none T) { return none }

// row reads the row of a batch again.
func (c *checker) row(ctx context.Context, b store.Batch) (store.Batch, error) {
	rows, err := c.store.Batches(ctx, store.BatchFilter{From: b.StartedAt, To: b.StartedAt.Add(time.Millisecond), Limit: rowsAtOnce})
	for _, r := range rows {
		if r.ID == b.ID {
			return r, err
		}
	}
	return b, err
}

func (c *checker) cards(ctx context.Context) {
	seen := map[int64]bool{}
	for offset := 0; ; offset += rowsAtOnce {
		cards, err := c.store.Cards(ctx, rowsAtOnce, offset)
		if err != nil {
			c.unread("the list of cards", err)
			return
		}
		for _, card := range cards {
			if seen[card.ID] { // a card that is logged meanwhile moves the others on
				continue
			}
			seen[card.ID] = true
			c.report.Cards++
			name := fmt.Sprintf("card %d of formula %d", card.Number, card.FormulaID)
			if _, err := c.store.CardHistory(ctx, card.ID); err != nil {
				c.unread(name+", its history", err)
			}
			if card.Photo == 0 {
				continue
			}
			c.report.Photos++
			if _, err := c.store.Photo(ctx, card.Photo); err != nil {
				c.unread(name+", its photograph", err)
			}
		}
		if len(cards) < rowsAtOnce {
			return
		}
	}
}

// shop reads what is about no paint.
func (c *checker) shop(ctx context.Context) {
	toners, err := c.store.Toners(ctx, store.TonerFilter{})
	if err != nil {
		c.unread("the list of toners", err)
	}
	people, err := c.store.People(ctx)
	if err != nil {
		c.unread("the list of people", err)
	}
	if _, err := c.store.Settings(ctx); err != nil {
		c.unread("the shop's settings", err)
	}
	c.report.Toners, c.report.People = len(toners), len(people)
}
