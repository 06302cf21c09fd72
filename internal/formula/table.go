package formula

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

// MaxFile is the most bytes that an imported file may have.
const MaxFile = 20 << 20

// The separators that are recognised, by the words of the preview.
var separators = []struct {
	mark rune
	name string
}{{',', "comma"}, {';', "semicolon"}, {'\t', "tab"}}

// table is a file of rows under a header, its columns found by our own names in any order.
type table struct {
	source
	encoding, separator string
	columns             map[string]int
	named               int // how many columns the header names, gaps included
	rows                []tableRow
}

type tableRow struct {
	number int // of its line in the file
	cells  []string
}

// cell returns the text of a column, empty where the file has no such column.
func (t *table) cell(r tableRow, column string) string {
	at, ok := t.columns[column]
	if !ok || at >= len(r.cells) {
		return ""
	}
	return unguarded(strings.TrimSpace(r.cells[at]))
}

// column returns a column from top to bottom.
func (t *table) column(name string) []string {
	cells := make([]string, len(t.rows))
	for i, r := range t.rows {
		cells[i] = t.cell(r, name)
	}
	return cells
}

// readTable reads a file into rows. What is wrong with it is in t.problems; the error is of reading only.
func readTable(r io.Reader, known, required []string) (*table, error) {
	t := &table{columns: map[string]int{}}
	file, err := io.ReadAll(io.LimitReader(r, MaxFile+1))
	if err != nil {
		return t, fmt.Errorf("formula: reading the file: %w", err)
	}
	if len(file) > MaxFile {
		t.refuse(Problem{0, "file", "the file is larger than 20 MB. Split it and import the parts."})
		return t, nil
	}
	text, encoding, problem := decode(file)
	t.encoding = encoding
	if problem != nil {
		t.refuse(*problem)
		return t, nil
	}
	if !strings.Contains(text, "\n") {
		text = strings.ReplaceAll(text, "\r", "\n") // line ends of old
	}
	if strings.TrimSpace(text) == "" {
		t.refuse(Problem{0, "file", "the file is empty. Choose another one."})
		return t, nil
	}
	mark := t.sniff(text, known)
	reader := csv.NewReader(strings.NewReader(text))
	reader.Comma = mark
	reader.FieldsPerRecord = -1
	header := true
	for {
		cells, err := reader.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.refuse(badQuotes(err))
			return t, nil
		}
		number, _ := reader.FieldPos(0)
		line := SourceLine{Number: number, Cells: cells, Status: Fine}
		if !slices.ContainsFunc(cells, func(c string) bool { return strings.TrimSpace(c) != "" }) {
			line.Status = Skipped
			t.lines = append(t.lines, line)
			continue
		}
		if header {
			header = false
			line.Status = Skipped
			t.lines = append(t.lines, line)
			if encoding == encodingWindows {
				t.note(number, "The file is not in UTF-8 and is read as Windows-1252. Check that letters with accents are right.")
			}
			t.readHeader(number, cells, known, required)
			if len(t.problems) > 0 {
				return t, nil
			}
			continue
		}
		t.lines = append(t.lines, line)
		t.rows = append(t.rows, tableRow{number, cells})
		if n := filled(cells); n > t.named {
			t.refuse(Problem{number, "file", fmt.Sprintf("there are %d cells, but only %d columns have a name. Put numbers with a decimal comma in quotation marks, or use the semicolon as separator.", n, t.named)})
		}
	}
	if len(t.rows) == 0 {
		t.refuse(Problem{0, "file", "there are no lines under the column names. Choose another file."})
	}
	return t, nil
}

// filled returns how many cells there are up to the last that is not empty.
func filled(cells []string) int {
	n := len(cells)
	for n > 0 && strings.TrimSpace(cells[n-1]) == "" {
		n--
	}
	return n
}

func badQuotes(err error) Problem {
	var pe *csv.ParseError
	if errors.As(err, &pe) {
		return Problem{pe.StartLine, "file", "a quotation mark stands where none can. Put the whole cell in quotation marks and write those inside it twice."}
	}
	return Problem{0, "file", "the file is not a table. Save it as CSV and try again."}
}

// sniff chooses the separator that makes the most of our column names out of the first line that is not empty.
func (t *table) sniff(text string, known []string) rune {
	first := ""
	for line := range strings.Lines(text) {
		if strings.TrimSpace(line) != "" {
			first = line
			break
		}
	}
	best, most := separators[0], -1
	for _, s := range separators {
		reader := csv.NewReader(strings.NewReader(first))
		reader.Comma, reader.LazyQuotes = s.mark, true
		cells, err := reader.Read()
		if err != nil {
			continue
		}
		found := 0
		for _, c := range cells {
			if slices.Contains(known, columnName(c)) {
				found++
			}
		}
		if found > most {
			best, most = s, found
		}
	}
	t.separator = best.name
	return best.mark
}

// columnName is a header cell in our spelling: "Price_per-Litre" is "price per litre".
func columnName(cell string) string {
	return nameKey(strings.NewReplacer("_", " ", "-", " ").Replace(cell))
}

func (t *table) readHeader(number int, cells, known, required []string) {
	t.named = filled(cells)
	for i, c := range cells {
		name := columnName(c)
		if _, twice := t.columns[name]; twice {
			t.refuse(Problem{number, "file", fmt.Sprintf("two columns are named %s. Remove one.", quoted(name))})
		} else if slices.Contains(known, name) {
			t.columns[name] = i
		} else if name != "" {
			t.note(number, fmt.Sprintf("The column %s is not known and is left out.", quoted(c)))
		}
	}
	var missing []string
	for _, name := range required {
		if _, ok := t.columns[name]; !ok {
			missing = append(missing, name)
		}
	}
	switch {
	case len(missing) == len(required):
		t.refuse(Problem{number, "file", "the first line does not name the columns. They are: " + strings.Join(known, ", ") + "."})
	case len(missing) > 0:
		t.refuse(Problem{number, "file", "a column is missing: " + strings.Join(missing, ", ") + ". Add it to the first line."})
	}
}

// A cell that begins with one of these is taken for a formula by spreadsheets (OWASP, "CSV Injection":
// equals, plus, minus, at, and their full-width forms). Such a cell is written with an apostrophe before it,
// which a spreadsheet shows as text; reading takes exactly that apostrophe away again. A text that itself
// begins with an apostrophe before one of these, or before another apostrophe, gets one more, so that
// nothing is lost. Two limits: the file must be opened with the comma as separator, and a spreadsheet that
// rewrites the cell rewrites the text.
const formulaStarts = "=+-@＝＋－＠"

func guarded(s string) string {
	rest, quote := strings.CutPrefix(s, "'")
	if startsFormula(s) || quote && (startsFormula(rest) || strings.HasPrefix(rest, "'")) {
		return "'" + s
	}
	return s
}

func unguarded(s string) string {
	rest, quote := strings.CutPrefix(s, "'")
	if quote && (startsFormula(rest) || strings.HasPrefix(rest, "'")) {
		return rest
	}
	return s
}

func startsFormula(s string) bool {
	for _, r := range s {
		return strings.ContainsRune(formulaStarts, r)
	}
	return false
}

// writeTable writes rows as UTF-8 with a byte order mark, without which spreadsheets take every other
// script for Windows-1252, and with the line ends of RFC 4180.
func writeTable(w io.Writer, columns []string, rows func(write func(cells []string) error) error) error {
	if _, err := io.WriteString(w, "\ufeff"); err != nil {
		return fmt.Errorf("formula: writing the file: %w", err)
	}
	out := csv.NewWriter(w)
	out.UseCRLF = true
	err := out.Write(columns)
	if err == nil {
		err = rows(func(cells []string) error {
			for i := range cells {
				cells[i] = guarded(cells[i])
			}
			return out.Write(cells)
		})
	}
	out.Flush()
	if err == nil {
		err = out.Error()
	}
	if err != nil {
		return fmt.Errorf("formula: writing the file: %w", err)
	}
	return nil
}
