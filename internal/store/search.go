package store

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

// Query is what the Book is asked for. Every word of Text must begin a word of the formula's name, alternate, code
// (punctuation does not count), years or tags.
type Query struct {
	Text    string
	System  formula.System // "": every system
	Coat    formula.Coat
	Finish  formula.Finish
	Retired bool // retired ones too
	Recent  bool // where Text is empty: last poured first, instead of by name
	Limit   int  // 0: 50
	Offset  int
}

// Hit is one row of the Book.
type Hit struct {
	Formula    formula.Formula
	RevisionID int64 // of the latest revision
	Revision   int
	Total      gram.Mass
	Lines      int
	Variants   int       // derived from this very formula
	PouredAt   time.Time // zero: never
}

// Page is one page of hits. Total counts all of them up to countMost; AtLeast says that there are more than that.
type Page struct {
	Hits    []Hit
	Total   int
	AtLeast bool
	More    bool // hits follow after this page
}

// countMost is how far hits of a text are counted: nobody reads further, and a letter may match half the book.
const countMost = 1000

const hitColumns = formulaColumns + `, coalesce(r.id, 0), coalesce(r.number, 0), coalesce(r.total, 0), coalesce(r.line_count, 0),
	(SELECT count(*) FROM formula v WHERE v.parent_formula = f.id), f.poured_at`

const hitTables = formulaTables + ` LEFT JOIN revision r ON r.formula_id = f.id AND r.number = (SELECT max(number) FROM revision WHERE formula_id = f.id)`

// Search returns one page of the Book: the very code first, then codes that begin so, names that begin so, and the rest
// (by name; for one or two letters, which match half the book, newest first). Text that holds no letter and no number lists
// everything. A text that is too long is an error with a sentence; nothing else that is typed is.
func (s *Store) Search(ctx context.Context, q Query) (Page, error) {
	const doing = "search the book"
	terms, err := searchTerms(q.Text)
	if err != nil {
		return Page{}, err
	}
	limit, offset := paging(q.Limit, q.Offset)
	var p Page
	if len(terms) == 0 {
		p, err = s.listAll(ctx, q, limit, offset)
	} else {
		p, err = s.listMatches(ctx, q, terms, limit, offset)
	}
	if err != nil {
		return Page{}, explain(doing, err)
	}
	if len(p.Hits) > limit {
		p.Hits, p.More = p.Hits[:limit], true
	}
	return p, nil
}

// filter returns the conditions on formula f that are not about the text.
func (q Query) filter() (string, []any) {
	where, args := "1", []any(nil)
	if !q.Retired {
		where += " AND f.retired = 0"
	}
	if q.System != "" {
		where += " AND f.system_id = (SELECT id FROM paint_system WHERE name_key = ?)"
		args = append(args, nameKey(string(q.System)))
	}
	if q.Coat != "" {
		where += " AND f.coat = ?"
		args = append(args, string(q.Coat))
	}
	if q.Finish != "" {
		where += " AND f.finish = ?"
		args = append(args, string(q.Finish))
	}
	return where, args
}

func (s *Store) listAll(ctx context.Context, q Query, limit, offset int) (Page, error) {
	where, args := q.filter()
	order := "f.name_key, f.id"
	if q.Recent {
		order = "f.poured_at DESC, f.id DESC"
	}
	var p Page
	if err := s.read.QueryRowContext(ctx, `SELECT count(*) FROM formula f WHERE `+where, args...).Scan(&p.Total); err != nil {
		return p, err
	}
	var err error
	// The page is cut out of the index alone, before anything is looked up for its rows.
	p.Hits, err = collect(ctx, s.read, `SELECT `+hitColumns+` FROM (SELECT f.id FROM formula f WHERE `+where+` ORDER BY `+order+` LIMIT ? OFFSET ?) found
		CROSS JOIN `+hitTables+` WHERE f.id = found.id ORDER BY `+order, append(args, limit+1, offset), scanHit)
	return p, err
}

// listMatches looks in three places, each with an index of its own and cut off at the page's end, so that no rank is ever
// computed over everything that a letter matches: codes that begin with the text, names that do, words that do.
func (s *Store) listMatches(ctx context.Context, q Query, terms []string, limit, offset int) (Page, error) {
	where, filter := q.filter()
	code, name := formula.FoldCode(q.Text), formula.Fold(q.Text)
	match := `"` + strings.Join(terms, `*" "`) + `*"`
	short := len(terms) == 1 && utf8.RuneCountInString(terms[0]) <= 2
	order, sort := "f.name_key, f.id", "f.name_key"
	if short {
		order, sort = "m.docid DESC", "''"
	}
	// Beginnings are ranges, so that the index finds them; the upper end is the last code point there is.
	const byCode = `(f.code_key >= ? AND f.code_key < ? || char(1114111))`
	const byName = `(f.name_key >= ? AND f.name_key < ? || char(1114111))`
	found := `SELECT * FROM (SELECT f.id AS id, CASE f.code_key WHEN ? THEN 0 ELSE 1 END AS rank, f.code_key AS sort FROM formula f INDEXED BY formula_by_code
			WHERE ` + byCode + ` AND ` + where + ` ORDER BY f.code_key, f.id LIMIT ?)
		UNION ALL SELECT * FROM (SELECT f.id, 2, f.name_key FROM formula f INDEXED BY formula_by_name
			WHERE ` + byName + ` AND NOT ` + byCode + ` AND ` + where + ` ORDER BY f.name_key, f.id LIMIT ?)
		UNION ALL SELECT * FROM (SELECT f.id, 3, ` + sort + ` FROM formula_search m CROSS JOIN formula f ON f.id = m.docid
			WHERE m.words MATCH ? AND NOT ` + byName + ` AND NOT ` + byCode + ` AND ` + where + ` ORDER BY ` + order + ` LIMIT ?)`
	args := func(most int) []any {
		a := append([]any{code, code, code}, filter...)
		a = append(append(a, most, name, name, code, code), filter...)
		a = append(append(a, most, match, name, name, code, code), filter...)
		return append(a, most)
	}
	var p Page
	var err error
	p.Hits, err = collect(ctx, s.read, `SELECT `+hitColumns+` FROM (SELECT id, rank, sort, row_number() OVER (ORDER BY rank, sort, CASE WHEN rank = 3 AND sort = '' THEN -id ELSE id END) AS place
			FROM (`+found+`) ORDER BY place LIMIT ? OFFSET ?) found CROSS JOIN `+hitTables+` WHERE f.id = found.id ORDER BY found.place`,
		append(args(offset+limit+1), limit+1, offset), scanHit)
	if err != nil {
		return p, err
	}
	if len(p.Hits) <= limit && (len(p.Hits) > 0 || offset == 0) { // the last page: no need to count
		p.Total = offset + len(p.Hits)
		return p, nil
	}
	counted := strings.ReplaceAll(found, "ORDER BY "+order+" LIMIT", "LIMIT")
	if err := s.read.QueryRowContext(ctx, `SELECT count(*) FROM (`+counted+`)`, args(countMost+1)...).Scan(&p.Total); err != nil {
		return p, err
	}
	if p.Total > countMost {
		p.Total, p.AtLeast = countMost, true
	}
	return p, nil
}

func scanHit(rows *sql.Rows, h *Hit) error {
	var row formulaRow
	var poured sql.NullInt64
	err := rows.Scan(append(row.targets(), &h.RevisionID, &h.Revision, &h.Total, &h.Lines, &h.Variants, &poured)...)
	if err != nil {
		return err
	}
	h.PouredAt = timeOf(poured)
	h.Formula, err = row.value()
	return err
}

// The most that is searched for at once. A longer text was pasted by mistake.
const (
	longestSearch = 200 // letters
	mostTerms     = 12
)

// searchTerms returns the words of a search, each safe to stand between quotes in a MATCH.
func searchTerms(text string) ([]string, error) {
	const doing = "search"
	if len(text) > 4*longestSearch || utf8.RuneCountInString(text) > longestSearch {
		return nil, invalid(doing, "This is too long to search for. Type at most %d letters.", longestSearch)
	}
	var terms []string
	for _, term := range formula.Terms(strings.ToValidUTF8(text, " ")) {
		// The index keeps letters and numbers only; what has neither can be in no formula's words.
		if strings.ContainsFunc(term, func(r rune) bool { return unicode.IsLetter(r) || unicode.IsNumber(r) }) {
			terms = append(terms, strings.ReplaceAll(term, `"`, ""))
		}
	}
	if len(terms) > mostTerms {
		return nil, invalid(doing, "These are %d words. Search for at most %d.", len(terms), mostTerms)
	}
	return terms, nil
}

// Reindex folds the words of every formula again and rebuilds the search index, for a book whose index was damaged
// or made by other rules of folding. It returns how many formulas had other words before.
func (s *Store) Reindex(ctx context.Context) (int, error) {
	changed := 0
	err := s.update(ctx, "rebuild the search index", func(t *tx) error {
		changed = 0
		all, err := collect(context.Background(), t.conn, `SELECT `+formulaColumns+` FROM `+formulaTables, nil, scanFormula)
		if err != nil {
			return err
		}
		for _, f := range all {
			words, name, code := searchWords(f), formula.Fold(f.Name), formula.FoldCode(f.Code)
			err := t.change(`UPDATE formula SET words = ?, name_key = ?, code_key = ? WHERE id = ? AND (words <> ? OR name_key <> ? OR code_key <> ?)`, words, name, code, f.ID, words, name, code)
			if err == nil {
				changed++
			} else if err != ErrNotFound { // nothing to change
				return fmt.Errorf("formula %d: %w", f.ID, err)
			}
		}
		return t.exec(`INSERT INTO formula_search (formula_search) VALUES ('rebuild')`)
	})
	return changed, err
}
