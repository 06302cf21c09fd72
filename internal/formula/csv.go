package formula

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"pourbook/internal/gram"
)

// A book as CSV has one row for each line of a formula, in pouring order. The formula's own columns are
// repeated on every row, or left empty on all rows but its first.
var (
	bookColumns  = []string{"name", "code", "alternate", "years", "tags", "system", "coat", "finish", "basis", "toner", "amount"}
	bookRequired = []string{"name", "system", "coat", "finish", "toner", "amount"}
)

// tagSeparator stands between the tags in their cell, so no tag can hold it.
const tagSeparator = ";"

// Entry is one formula with its lines, as it is written to a file.
type Entry struct {
	Formula Formula
	Lines   []Line
}

// Draft is one formula of a file, not yet in the book.
type Draft struct {
	Formula Formula
	Lines   []Line // as the file has them; nil where there is a problem
	Swapped []Line // with superseded toners replaced; nil where none is
	Swaps   []Swap
	Basis   Basis
	From    int // the line of the file that it begins on
}

// Book is what an import needs to know of the book and the shelf.
type Book struct {
	// Toner finds a toner of a paint system by name or code. Where that system has none of the name it may
	// return one of another system, so that the preview can say so.
	Toner func(system System, name string) (Toner, bool)
	// Holds says whether the book has a formula of this name, code, alternate, system and coat. Nil: it is empty.
	Holds func(f Formula) bool
}

// Preview is what an import would do. It is taken as a whole or not at all.
type Preview struct {
	Encoding  string // "UTF-8", "Windows-1252" …
	Separator string // "comma", "semicolon" or "tab"
	Decimal   string // "point" or "comma", empty where the amounts do not tell
	Formulas  []Draft
	Lines     []SourceLine
	Problems  Problems
}

// Ready says whether the import can be done.
func (p Preview) Ready() bool { return len(p.Problems) == 0 && len(p.Formulas) > 0 }

// ReadCSV reads a book of formulas. Columns may stand in any order; basis may be empty for weights; code,
// alternate, years and tags may be missing. Tags are parted by semicolons.
// Separator, encoding and decimal mark are found out and said.
//
// Everything that is wrong with the file is in the preview. The error is one of reading r.
func ReadCSV(r io.Reader, book Book) (Preview, error) {
	t, err := readTable(r, bookColumns, bookRequired)
	if err != nil {
		return Preview{}, err
	}
	b := bookReader{table: t, book: book, mark: markOf(t.column("amount")), first: map[string]int{}}
	b.read()
	return Preview{
		Encoding: t.encoding, Separator: t.separator, Decimal: b.mark.String(),
		Formulas: b.drafts, Lines: t.lines, Problems: t.all(),
	}, nil
}

// ownColumns are the columns of the formula rather than of its line; keyColumns tell formulas apart.
var (
	ownColumns = []string{"name", "code", "alternate", "system", "coat", "years", "tags", "finish", "basis"}
	keyColumns = 5
)

type bookReader struct {
	*table
	book   Book
	mark   decimalMark
	first  map[string]int // formula key to the line it began on
	drafts []Draft
}

func (b *bookReader) read() {
	var group []tableRow
	var own []string
	for _, r := range b.rows {
		cells := make([]string, len(ownColumns))
		empty := true
		for i, name := range ownColumns {
			cells[i] = b.cell(r, name)
			empty = empty && cells[i] == ""
		}
		if len(group) > 0 && (empty || sameKeys(cells, own)) {
			for i, name := range ownColumns[keyColumns:] {
				if c := cells[keyColumns+i]; c != "" && c != own[keyColumns+i] {
					b.refuse(Problem{r.number, name, fmt.Sprintf("%s is %s here, but %s on line %d. Write the same on all lines of a formula.",
						name, quoted(c), quoted(own[keyColumns+i]), group[0].number)})
				}
			}
			group = append(group, r)
			continue
		}
		b.finish(group, own)
		group, own = []tableRow{r}, cells
	}
	b.finish(group, own)
}

func sameKeys(a, b []string) bool { return slices.Equal(a[:keyColumns], b[:keyColumns]) }

// finish makes a draft of the rows of one formula.
func (b *bookReader) finish(group []tableRow, own []string) {
	if len(group) == 0 {
		return
	}
	from := group[0].number
	f := Formula{
		Name: own[0], Code: own[1], Alternate: own[2], System: System(own[3]), Years: own[5],
		Tags: splitTags(own[6]),
	}
	for i, name := range ownColumns[:7] {
		if detail := badText(own[i], maxText); detail != "" {
			b.refuse(Problem{from, name, name + " " + detail})
		}
	}
	if f.Name == "" {
		b.refuse(Problem{from, "name", "the formula has no name. Enter one."})
	}
	if f.System == "" {
		b.refuse(Problem{from, "system", "the formula has no paint system. Enter the one its toners belong to."})
	}
	var ok bool
	if f.Coat, ok = oneOf(Coats, own[4]); !ok {
		b.refuse(Problem{from, "coat", notOneOf("coat", own[4], Coats)})
	}
	if f.Finish, ok = oneOf(Finishes, own[7]); !ok {
		b.refuse(Problem{from, "finish", notOneOf("finish", own[7], Finishes)})
	}
	basis := Weights
	if own[8] != "" {
		if basis, ok = oneOf(Bases, own[8]); !ok {
			b.refuse(Problem{from, "basis", notOneOf("basis", own[8], Bases)})
			basis = Weights
		}
	}
	lines := b.readLines(f, basis, group)
	if len(lines) > 0 && sameSystem(lines[0].Toner.System, f.System) {
		f.System = lines[0].Toner.System // the shelf's spelling
	}
	key := formulaKey(f)
	if twice, ok := b.first[key]; ok {
		b.refuse(Problem{from, "name", fmt.Sprintf("%s is in the file on line %d already. Leave one out, or give it another alternate.", f.Title(), twice)})
	} else {
		b.first[key] = from
		if f.Name != "" && b.book.Holds != nil && b.book.Holds(f) {
			b.refuse(Problem{from, "name", f.Title() + " is in the book already. Leave it out of the file, or give it another alternate."})
		}
	}
	draft := Draft{Formula: f, Basis: basis, From: from}
	if !slices.ContainsFunc(group, func(r tableRow) bool { return b.line(r.number).Status == Wrong }) {
		draft.Lines = lines
		b.noteLines(&draft, group)
	}
	b.drafts = append(b.drafts, draft)
}

func (b *bookReader) readLines(f Formula, basis Basis, group []tableRow) []Line {
	rows, numbers := make([]Row, len(group)), make([]int, len(group))
	for i, r := range group {
		numbers[i] = r.number
		rows[i] = Row{b.cell(r, "toner"), b.cell(r, "amount")}
		if rows[i] == (Row{}) {
			b.refuse(Problem{r.number, "toner", "there is neither toner nor amount. Enter them or remove the line."})
		}
	}
	lookup := func(name string) (Toner, bool) {
		if f.System == "" || b.book.Toner == nil {
			return Toner{Name: name}, true // the missing system has been said; the amounts can be read all the same
		}
		return b.book.Toner(f.System, name)
	}
	lines, ps := parseLines(basis, rows, numbers, nil, lookup, b.mark)
	for _, p := range ps {
		if p.Field == "system" {
			continue // said below, against the system of the formula
		}
		if p.Line == 0 {
			p.Line = group[0].number
		}
		b.refuse(p)
	}
	for i, r := range rows {
		if r.Toner == "" || len(rows) > MaxLines {
			continue
		}
		if toner, ok := lookup(r.Toner); ok && !sameSystem(toner.System, f.System) && f.System != "" {
			b.refuse(Problem{group[i].number, "system", fmt.Sprintf("%s belongs to %s, but the formula to %s. Paint systems do not mix: choose a toner of %s.",
				toner.Name, systemName(toner.System), f.System, f.System)})
			lines = nil
		}
	}
	return lines
}

// noteLines says what a person should know of a sound draft before taking it.
func (b *bookReader) noteLines(d *Draft, group []tableRow) {
	for i, l := range d.Lines {
		if !l.Toner.Stocked && l.Toner.Replaced == nil {
			b.note(group[i].number, l.Toner.Name+" is not stocked.")
		}
	}
	if d.Basis == Weights && onlyRise(d.Lines) {
		b.note(d.From, "The weights only rise from line to line. If they are running totals, write running as the basis.")
	}
	if !slices.ContainsFunc(d.Lines, func(l Line) bool { return l.Toner.Replaced != nil }) {
		return
	}
	swapped, swaps, err := Substitute(d.Lines, func(name string) (Toner, bool) { return b.book.Toner(d.Formula.System, name) })
	if err != nil {
		// The formula itself is sound: what is wrong is on the shelf.
		b.note(d.From, "A toner is superseded and cannot be replaced. "+err.Error())
		return
	}
	if len(swaps) > 0 {
		d.Swapped, d.Swaps = swapped, swaps
	}
	for _, s := range swaps {
		b.note(group[s.Line-1].number, fmt.Sprintf("%s is superseded by %s, %s g for each gram.", s.Old.Name, s.New.Name, plainDecimal(s.Factor, 6)))
	}
}

// onlyRise says whether three or more weights could be running totals.
func onlyRise(lines []Line) bool {
	for i := range lines {
		if i > 0 && lines[i].Mass <= lines[i-1].Mass {
			return false
		}
	}
	return len(lines) >= 3
}

// formulaKey is what tells formulas of a book apart.
func formulaKey(f Formula) string {
	return strings.Join([]string{nameKey(f.Name), nameKey(f.Code), nameKey(f.Alternate), nameKey(string(f.System)), string(f.Coat)}, "\x00")
}

func splitTags(cell string) []string {
	var tags []string
	for tag := range strings.SplitSeq(cell, tagSeparator) {
		if tag = strings.TrimSpace(tag); tag != "" {
			tags = append(tags, tag)
		}
	}
	return tags
}

func oneOf[T ~string](all []T, cell string) (T, bool) {
	for _, v := range all {
		if nameKey(cell) == string(v) {
			return v, true
		}
	}
	return "", false
}

func notOneOf[T ~string](field, cell string, all []T) string {
	words := make([]string, len(all))
	for i, v := range all {
		words[i] = string(v)
	}
	list := strings.Join(words[:len(words)-1], ", ") + " or " + words[len(words)-1]
	if cell == "" {
		return fmt.Sprintf("%s is empty. Write %s.", field, list)
	}
	return fmt.Sprintf("%s is no %s. Write %s.", quoted(cell), field, list)
}

// WriteCSV writes formulas so that ReadCSV reads them again unchanged: the columns of the file, lines as
// weights to the milligram. What has no column (notes, swatch, target, origin, retired) is not in it; for
// everything there is the backup.
//
// Cells that a spreadsheet would take for a formula are written with an apostrophe before them; see table.go.
//
// Before anything is written the formulas are checked: lines that do not pass Check or are of another paint
// system than the formula, texts with control characters or outer spaces, and two formulas that the file could
// not tell apart are refused as Problems, each with the number of its entry as the line.
func WriteCSV(w io.Writer, entries []Entry) error {
	var ps Problems
	first := make(map[string]int, len(entries))
	for i, e := range entries {
		for _, p := range checkEntry(e) {
			detail := e.Formula.Title() + " cannot be exported. " + p.Error()
			ps = append(ps, Problem{i + 1, p.Field, detail})
		}
		key := formulaKey(e.Formula)
		if twice, ok := first[key]; ok {
			ps = append(ps, Problem{i + 1, "name", fmt.Sprintf("%s is in the export as number %d already. Give one of them another alternate.", e.Formula.Title(), twice)})
		}
		first[key] = i + 1
	}
	if len(ps) > 0 {
		return ps
	}
	return writeTable(w, bookColumns, func(write func([]string) error) error {
		for _, e := range entries {
			f := e.Formula
			for _, l := range e.Lines {
				err := write([]string{
					f.Name, f.Code, f.Alternate, f.Years, strings.Join(f.Tags, tagSeparator+" "),
					string(f.System), string(f.Coat), string(f.Finish), string(Weights), l.Toner.Name, l.Mass.Show(gram.Milligram),
				})
				if err != nil {
					return err
				}
			}
		}
		return nil
	})
}

func checkEntry(e Entry) Problems {
	ps := checkFormula(e.Formula)
	numbers := make([]int, len(e.Lines))
	for i, l := range e.Lines {
		numbers[i] = i + 1
		if detail := unfitForCell(l.Toner.Name); detail != "" {
			ps = append(ps, Problem{i + 1, "toner", "the toner's name " + detail})
		}
		if l.Toner.System != e.Formula.System {
			ps = append(ps, Problem{i + 1, "system", fmt.Sprintf("%s belongs to %s, not to %s. Choose another toner.", l.Toner.Name, systemName(l.Toner.System), systemName(e.Formula.System))})
		}
	}
	return append(ps, checkLines(e.Lines, numbers)...)
}
