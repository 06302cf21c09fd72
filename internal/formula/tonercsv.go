package formula

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
)

var (
	tonerColumns = []string{
		"name", "code", "system", "kind", "strength", "density", "price per litre", "swatch",
		"hazard", "sheet", "wet first", "stocked", "replacement", "factor",
	}
	tonerRequired = []string{"name", "system", "kind", "strength"}
)

// Densities of paint that are taken for sane, g/mL: below the lightest solvents and above white lead in oil
// there is only a slip of the decimal mark. Common practice, no source.
const (
	minDensity = 0.3
	maxDensity = 10
)

// TonerDraft is one toner of a file.
type TonerDraft struct {
	Toner Toner // with the ID of the one on the shelf, 0 where it is new
	Known bool  // the shelf has one of this name already: taking the file changes that
	Line  int
}

// TonerPreview is what an import of toners would do. It is taken as a whole or not at all.
type TonerPreview struct {
	Encoding  string
	Separator string
	Decimal   string
	Toners    []TonerDraft
	Lines     []SourceLine
	Problems  Problems
}

// Ready says whether the import can be done.
func (p TonerPreview) Ready() bool { return len(p.Problems) == 0 && len(p.Toners) > 0 }

// CheckToner returns everything that is wrong with a toner as Problems, nil where it stands: the words that can
// be kept, the numbers that can be true. It does not look up the replacement.
func CheckToner(t Toner) error { return checkToner(t).Err() }

func checkToner(t Toner) Problems {
	var ps Problems
	refuse := func(field, format string, args ...any) {
		ps = append(ps, Problem{Field: field, Detail: fmt.Sprintf(format, args...)})
	}
	text := func(field, s string) {
		if detail := unfitForCell(s); detail != "" {
			refuse(field, "%s %s", field, detail)
		}
	}
	text("name", t.Name)
	text("code", t.Code)
	text("system", string(t.System))
	text("sheet", t.SheetURL)
	if strings.TrimSpace(t.Hazard) != t.Hazard {
		refuse("hazard", "hazard begins or ends with a space. Take it out.")
	} else if detail := badProse(t.Hazard); detail != "" {
		refuse("hazard", "hazard %s", detail)
	}
	if t.Name == "" {
		refuse("name", "the toner has no name. Enter one.")
	}
	if t.System == "" {
		refuse("system", "the toner has no paint system. Enter one.")
	}
	if !slices.Contains(Kinds, t.Kind) {
		refuse("kind", "%s", notOneOf("kind", string(t.Kind), Kinds))
	}
	if !slices.Contains(Strengths, t.Strength) {
		refuse("strength", "%s", notOneOf("strength", string(t.Strength), Strengths))
	}
	if t.Density != 0 && !(t.Density >= minDensity && t.Density <= maxDensity) {
		refuse("density", "a density of %v g/mL cannot be right. Enter one from %v to %v, or leave it empty.", t.Density, minDensity, maxDensity)
	}
	if t.PerLitre < 0 || t.PerLitre > maxMoney {
		refuse("price per litre", "a price of %s cannot be right. Enter one of 0 or more.", t.PerLitre)
	}
	if t.Swatch != "" && !isSwatch(t.Swatch) {
		refuse("swatch", "%s is no swatch. Write it like #a0b1c2, or leave it empty.", quoted(t.Swatch))
	}
	if r := t.Replaced; r != nil {
		text("replacement", r.By)
		if r.By == "" {
			refuse("replacement", "there is a factor, but no replacement. Name the toner or clear the factor.")
		}
		if sameName(r.By, t.Name) && r.By != "" {
			refuse("replacement", "%s cannot replace itself. Name another toner.", t.Name)
		}
		if !(r.Factor >= minFactor && r.Factor <= maxFactor) {
			refuse("factor", "a factor of %v cannot be right. Enter one from %v to %v.", r.Factor, minFactor, maxFactor)
		}
	}
	return ps
}

func isSwatch(s string) bool {
	if len(s) != 7 || s[0] != '#' {
		return false
	}
	for _, c := range s[1:] {
		if !strings.ContainsRune("0123456789abcdefABCDEF", c) {
			return false
		}
	}
	return true
}

// ReadTonersCSV reads a shelf of toners, one a row, columns in any order. Empty means: wet first no, stocked yes,
// factor 1 where there is a replacement, density and price not known. Density is in g/mL, the price has
// two decimals. lookup finds a toner of the shelf by paint system and name, to tell known from new and to find
// replacements that are not in the file themselves.
//
// Everything that is wrong with the file is in the preview. The error is one of reading r.
func ReadTonersCSV(r io.Reader, lookup func(system System, name string) (Toner, bool)) (TonerPreview, error) {
	t, err := readTable(r, tonerColumns, tonerRequired)
	if err != nil {
		return TonerPreview{}, err
	}
	mark := markOf(slices.Concat(t.column("density"), t.column("price per litre"), t.column("factor")))
	first := newToners()
	drafts := make([]TonerDraft, 0, len(t.rows))
	for _, r := range t.rows {
		toner := t.readToner(r, mark)
		draft := TonerDraft{Toner: toner, Line: r.number}
		if before, ok := first.find(toner); ok && toner.Name != "" {
			t.refuse(Problem{r.number, "name", fmt.Sprintf("%s is in the file on line %d already. Leave one out.", toner.Name, before)})
		}
		first.add(toner, r.number)
		if known, ok := lookup(toner.System, toner.Name); ok && tonerKey(known) == tonerKey(toner) {
			draft.Known, draft.Toner.ID = true, known.ID
			t.note(r.number, toner.Name+" is on the shelf already and is changed to what the file says.")
		}
		drafts = append(drafts, draft)
	}
	for _, d := range drafts {
		replaced := d.Toner.Replaced
		if replaced == nil || replaced.By == "" {
			continue
		}
		next := Toner{Name: replaced.By, System: d.Toner.System}
		if _, ok := first.find(next); ok {
			continue
		}
		if known, ok := lookup(next.System, next.Name); !ok || tonerKey(known) != tonerKey(next) {
			t.refuse(Problem{d.Line, "replacement", fmt.Sprintf("the replacement %s is no toner of %s, neither in the file nor on the shelf. Check the name.",
				quoted(replaced.By), systemName(d.Toner.System))})
		}
	}
	return TonerPreview{
		Encoding: t.encoding, Separator: t.separator, Decimal: mark.String(),
		Toners: drafts, Lines: t.lines, Problems: t.all(),
	}, nil
}

func (t *table) readToner(r tableRow, mark decimalMark) Toner {
	refuse := func(field string, p Problem) {
		p.Line, p.Field = r.number, field
		t.refuse(p)
	}
	number := func(column string) float64 {
		cell := t.cell(r, column)
		if cell == "" {
			return 0
		}
		n, err := parseNumber(cell, mark)
		if err != nil {
			refuse(column, problemAt(r.number, err))
		}
		return n.value
	}
	yes := func(column string, whenEmpty bool) bool {
		switch cell := nameKey(t.cell(r, column)); cell {
		case "":
			return whenEmpty
		case "yes", "y", "true", "1", "x":
			return true
		case "no", "n", "false", "0":
			return false
		default:
			refuse(column, Problem{Detail: fmt.Sprintf("%s is neither yes nor no. Write one of them.", quoted(cell))})
			return whenEmpty
		}
	}
	toner := Toner{
		Name: t.cell(r, "name"), Code: t.cell(r, "code"), System: System(t.cell(r, "system")),
		Kind: Kind(nameKey(t.cell(r, "kind"))), Strength: Strength(nameKey(t.cell(r, "strength"))),
		Density: number("density"), Swatch: t.cell(r, "swatch"), Hazard: t.cell(r, "hazard"),
		SheetURL: t.cell(r, "sheet"), WetFirst: yes("wet first", false), Stocked: yes("stocked", true),
	}
	if cell := t.cell(r, "price per litre"); cell != "" {
		price, err := parseMoney(cell, mark)
		if err != nil {
			refuse("price per litre", problemAt(r.number, err))
		}
		toner.PerLitre = price
	}
	by, factor := t.cell(r, "replacement"), t.cell(r, "factor")
	if by != "" || factor != "" {
		toner.Replaced = &Replacement{By: by, Factor: 1}
		if factor != "" {
			toner.Replaced.Factor = number("factor")
		}
	}
	for _, p := range checkToner(toner) {
		refuse(p.Field, p)
	}
	return toner
}

// WriteTonersCSV writes toners so that ReadTonersCSV reads them again unchanged, apart from IDs and the kind of
// line ends in a hazard text. Cells that a spreadsheet
// would take for a formula are guarded as by WriteCSV. Toners that do not pass CheckToner, and two of one name
// in one paint system, are refused as Problems before anything is written.
func WriteTonersCSV(w io.Writer, toners []Toner) error {
	var ps Problems
	first := make(map[string]int, len(toners))
	for i, t := range toners {
		for _, p := range checkToner(t) {
			ps = append(ps, Problem{i + 1, p.Field, t.Name + " cannot be exported. " + p.Error()})
		}
		if twice, ok := first[tonerKey(t)]; ok {
			ps = append(ps, Problem{i + 1, "name", fmt.Sprintf("%s is in the export as number %d already. Rename one of them.", t.Name, twice)})
		}
		first[tonerKey(t)] = i + 1
	}
	if len(ps) > 0 {
		return ps
	}
	return writeTable(w, tonerColumns, func(write func([]string) error) error {
		for _, t := range toners {
			density, price, by, factor := "", "", "", ""
			if t.Density != 0 {
				density = strconv.FormatFloat(t.Density, 'f', -1, 64)
			}
			if t.PerLitre != 0 {
				price = t.PerLitre.String()
			}
			if t.Replaced != nil {
				by, factor = t.Replaced.By, strconv.FormatFloat(t.Replaced.Factor, 'f', -1, 64)
			}
			err := write([]string{
				t.Name, t.Code, string(t.System), string(t.Kind), string(t.Strength), density, price, t.Swatch,
				t.Hazard, t.SheetURL, yesNo(t.WetFirst), yesNo(t.Stocked), by, factor,
			})
			if err != nil {
				return err
			}
		}
		return nil
	})
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}
