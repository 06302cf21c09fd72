package formula

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"pourbook/internal/gram"
)

// MaxPaste is the most bytes that a pasted text may have.
const MaxPaste = 1 << 20

// Pasted is one formula read from pasted text, to be looked over before it is kept.
type Pasted struct {
	Title  string // the line above the list that names no toner; empty where there is none
	Basis  Basis
	Why    string     // how the basis was found out; empty where it was given
	Total  *gram.Mass // what the total line or the caller says
	Rows   []Row      // the list as it was understood, for the form
	Lines  []Line     // nil where there is a problem
	Source []SourceLine
	// Problems name the lines of the text.
	Problems Problems
}

// Ready says whether the list can be taken.
func (p Pasted) Ready() bool { return len(p.Problems) == 0 && len(p.Lines) > 0 }

// ParsePaste reads one formula from text: a line for each toner, name and amount parted by a tab, a semicolon,
// a bar, two or more spaces, a colon or equals sign, or just a number at the end. A title, a header and a total
// are recognised. Of two columns of numbers of which one is the running total of the other the single weights count.
//
// With an empty basis it is found out: from the header, from per cent signs, or from the total, which is the last
// of running totals and the sum of weights. Where amounts only rise and nothing tells what they are, that is a
// problem of the field "basis": the person chooses. total is as in ParseLines; where it is nil a total line counts.
func ParsePaste(text string, basis Basis, total *gram.Mass, lookup Lookup) Pasted {
	p := paste{lookup: lookup, Pasted: Pasted{Basis: basis, Total: total}}
	p.read(text)
	p.Source, p.Problems = p.source.lines, p.all()
	if len(p.Problems) > 0 {
		p.Lines = nil
	}
	return p.Pasted
}

type paste struct {
	Pasted
	source  source
	lookup  Lookup
	heading Basis // what the header, or per cent signs on all amounts, say
	items   []item
	mark    decimalMark
}

func (p *paste) all() Problems { return p.source.all() }

// item is a line of the list: a name and one amount, rarely two.
type item struct {
	number  int // of its line in the text
	name    string
	amounts []string
}

func (p *paste) read(text string) {
	switch {
	case len(text) > MaxPaste:
		p.source.refuse(Problem{0, "text", "the text is longer than 1 MB. Paste one formula at a time, or import a file."})
		return
	case !utf8.ValidString(text):
		p.source.refuse(Problem{0, "text", "the text holds bytes that are no text. Copy it again."})
		return
	}
	text = strings.NewReplacer("\r\n", "\n", "\r", "\n", "\ufeff", "").Replace(text)
	// A text far too long for one formula is not taken apart line by line.
	if n := filledLines(text); n > 10*MaxLines {
		p.source.refuse(tooManyLines(n))
		return
	}
	totals := p.readItems(text)
	if len(p.items) == 0 {
		if len(p.source.problems) == 0 {
			p.source.refuse(Problem{0, "text", "there is no line with a toner and a weight. Paste one line for each toner."})
		}
		return
	}
	if len(p.items) > MaxLines {
		p.source.refuse(tooManyLines(len(p.items)))
		return
	}
	p.chooseColumn()
	var amounts []string
	var numbers []int
	perCent := true
	for _, i := range p.items {
		amounts = append(amounts, i.amounts...)
		numbers = append(numbers, i.number)
		perCent = perCent && strings.Contains(i.amounts[0], "%")
		p.Rows = append(p.Rows, Row{i.name, i.amounts[0]})
	}
	if perCent {
		p.heading = Percent
	}
	p.mark = markOf(amounts)
	p.readTotal(totals)
	if p.Basis == "" {
		p.findBasis()
	}
	chosen := p.Basis
	if chosen == "" {
		chosen = Weights // for what else is wrong; the basis is a problem already
	}
	lines, ps := parseLines(chosen, p.Rows, numbers, p.Total, p.lookup, p.mark)
	for _, problem := range ps {
		p.source.refuse(problem)
	}
	p.Lines = lines
	for i, l := range lines {
		if r := l.Toner.Replaced; r != nil {
			p.source.note(p.items[i].number, fmt.Sprintf("%s is superseded by %s, %s g for each gram.", l.Toner.Name, r.By, plainDecimal(r.Factor, 6)))
		} else if !l.Toner.Stocked {
			p.source.note(p.items[i].number, l.Toner.Name+" is not stocked.")
		}
	}
}

func filledLines(text string) int {
	n := 0
	for line := range strings.Lines(text) {
		if strings.TrimSpace(line) != "" {
			n++
		}
	}
	return n
}

// readItems splits the text and returns the total lines.
func (p *paste) readItems(text string) (totals []item) {
	number := 0
	for raw := range strings.Lines(text) {
		number++
		raw = strings.TrimRight(raw, "\n")
		line := strings.TrimSpace(raw)
		p.source.lines = append(p.source.lines, SourceLine{Number: number, Cells: []string{raw}, Status: Fine})
		at := &p.source.lines[len(p.source.lines)-1]
		if line == "" || strings.Trim(line, "-=_.*|+ ") == "" {
			at.Status = Skipped
			continue
		}
		name, amounts := p.split(line)
		_, known := p.lookup(name)
		switch {
		case len(amounts) > 0 && !known && isTotal(name):
			at.Status, at.Says = Skipped, []string{"This is taken for the total."}
			totals = append(totals, item{number, name, amounts})
		case len(amounts) > 0:
			at.Cells = append([]string{name}, amounts...)
			p.items = append(p.items, item{number, name, amounts})
		case len(p.items) == 0 && p.header(line):
			at.Status, at.Says = Skipped, []string{"This is taken for the header."}
		case len(p.items) == 0 && p.Title == "" && !known && badText(line, maxText) == "":
			p.Title = line
			at.Status, at.Says = Noted, []string{"This is taken for the title: there is no weight on it."}
		default:
			p.source.refuse(Problem{number, "amount", fmt.Sprintf("there is no weight after %s. Enter it, or remove the line.", quoted(line))})
		}
	}
	return totals
}

const unitPattern = `(?:%|g|gr|grams?|kg|mg|oz|lbs?|ml|l)`

var (
	amountCell   = regexp.MustCompile(`(?i)^[+\-−]?[\p{Nd}.,٫٬'’\s\x{a0}\x{202f}\x{2009}]*\p{Nd}[\p{Nd}.,٫٬'’]*\s*` + unitPattern + `?$`)
	unitCell     = regexp.MustCompile(`(?i)^` + unitPattern + `$`)
	amountAtEnd  = regexp.MustCompile(`(?i)^(.*\S)[\s\x{a0}\x{202f}\x{2009}]+([+\-−]?[.,٫]?\p{Nd}[\p{Nd}.,٫٬'’]*\s*` + unitPattern + `?)$`)
	amountAtHead = regexp.MustCompile(`(?i)^([+\-−]?[.,٫]?\p{Nd}[\p{Nd}.,٫٬'’]*\s*` + unitPattern + `?)\s+(\S.*)$`)
	twoSpaces    = regexp.MustCompile(`\s{2,}`)
)

// split parts a line into the toner's name and its amounts; no amounts where none is recognised.
func (p *paste) split(line string) (name string, amounts []string) {
	line = strings.TrimRight(line, ";|, \t")
	for _, mark := range []string{"\t", ";", "|"} {
		if strings.Contains(line, mark) {
			if name, amounts := p.splitCells(strings.Split(line, mark)); len(amounts) > 0 {
				return name, amounts
			}
		}
	}
	if name, amounts := p.splitCells(twoSpaces.Split(line, -1)); len(amounts) > 0 {
		return name, amounts
	}
	if at := strings.LastIndexAny(line, ":="); at > 0 {
		if rest := strings.TrimSpace(line[at+1:]); amountCell.MatchString(rest) {
			return p.bestName(line[:at]), []string{rest}
		}
	}
	if m := amountAtEnd.FindStringSubmatch(line); m != nil {
		// "White 1 234,5": the name may end in a number, or the amount may hold a space. The shelf tells.
		name, amount := m[1], m[2]
		if longer := amountAtEnd.FindStringSubmatch(name); longer != nil {
			whole := longer[2] + " " + amount
			number, _ := splitUnit(whole)
			_, short := p.lookup(p.bestName(name))
			_, long := p.lookup(p.bestName(longer[1]))
			if _, err := parseNumber(number, markUnknown); err == nil && long && !short {
				return p.bestName(longer[1]), []string{whole}
			}
		}
		return p.bestName(name), []string{amount}
	}
	if m := amountAtHead.FindStringSubmatch(line); m != nil {
		if name := p.bestName(m[2]); p.known(name) {
			return name, []string{m[1]}
		}
	}
	return line, nil
}

// splitCells takes the amounts among the cells; of the others that one is the name which the shelf knows, or the first.
func (p *paste) splitCells(cells []string) (string, []string) {
	var names, amounts []string
	for i, c := range cells {
		c = strings.TrimSpace(c)
		switch {
		case c == "":
		case len(amounts) > 0 && unitCell.MatchString(c):
			amounts[len(amounts)-1] += " " + c
		case i > 0 && len(names) > 0 && amountCell.MatchString(c):
			amounts = append(amounts, c)
		default:
			names = append(names, c)
		}
	}
	if len(names) == 0 {
		return "", nil
	}
	for _, n := range names {
		if p.known(p.bestName(n)) {
			return p.bestName(n), amounts
		}
	}
	// "1 | White | 700": the first cell only counts the lines.
	if len(names) > 1 && amountCell.MatchString(names[0]) {
		return p.bestName(names[1]), amounts
	}
	return p.bestName(names[0]), amounts
}

func (p *paste) known(name string) bool {
	_, ok := p.lookup(name)
	return ok
}

var listMark = regexp.MustCompile(`^(?:\p{Nd}+[.)]|[-*•–])\s+`)

// bestName returns the name as it stands where the shelf knows it, else without list marks before and fill marks behind.
func (p *paste) bestName(name string) string {
	name = strings.TrimSpace(name)
	if p.known(name) {
		return name
	}
	trimmed := strings.TrimSpace(strings.TrimRight(name, " .,:;=-–—_"))
	if trimmed == "" {
		return name
	}
	if p.known(trimmed) {
		return trimmed
	}
	if bare := listMark.ReplaceAllString(trimmed, ""); p.known(bare) {
		return bare
	}
	return trimmed
}

func isTotal(name string) bool {
	return slices.Contains([]string{"total", "sum", "total weight", "total grams", "all", "together", "amount"}, nameKey(strings.Trim(name, " .:=")))
}

// headings are the words of a header and what they say of the amounts.
var headings = map[string]Basis{
	"toner": "", "name": "", "colour": "", "color": "", "code": "", "component": "", "no": "", "line": "", "tint": "", "base": "",
	"amount": "", "quantity": "", "unit": "", "by": "", "in": "", "of": "",
	"weight": Weights, "weights": Weights, "grams": Weights, "gram": Weights, "g": Weights, "mass": Weights, "net": Weights, "single": Weights,
	"running": Running, "cumulative": Running, "total": "",
	"%": Percent, "percent": Percent, "share": Percent,
	"parts": Parts, "part": Parts,
}

// header says whether every word of a line is one of a header, and keeps what it says of the basis.
func (p *paste) header(line string) bool {
	words := strings.FieldsFunc(strings.ReplaceAll(nameKey(line), "per cent", "percent"), func(r rune) bool { return strings.ContainsRune(" \t;|,:()[]/.", r) })
	said := map[Basis]bool{}
	for _, w := range words {
		basis, ok := headings[w]
		if !ok {
			return false
		}
		if basis != "" {
			said[basis] = true
		}
	}
	if said[Running] || said[Percent] || said[Parts] {
		delete(said, Weights) // "running weight (g)", "% by weight"
	}
	if len(said) == 1 {
		for basis := range said {
			p.heading = basis
		}
	}
	return len(words) > 0
}

// chooseColumn leaves one amount on each item.
func (p *paste) chooseColumn() {
	two := true
	for _, i := range p.items {
		two = two && len(i.amounts) == 2
	}
	if two {
		for _, order := range [][2]int{{0, 1}, {1, 0}} {
			if p.isRunningOf(order[0], order[1]) {
				for n := range p.items {
					p.items[n].amounts = p.items[n].amounts[order[0] : order[0]+1]
				}
				if p.Basis == "" {
					p.Basis, p.Why = Weights, "Of the two columns one is the running total of the other. The single weights are taken."
				}
				return
			}
		}
	}
	for n, i := range p.items {
		if len(i.amounts) > 1 {
			p.source.refuse(Problem{i.number, "amount", fmt.Sprintf("there is more than one number after %s. Leave one.", quoted(i.name))})
			p.items[n].amounts = i.amounts[:1]
		}
	}
}

func (p *paste) isRunningOf(single, running int) bool {
	var sum, slack gram.Mass
	for _, i := range p.items {
		m, half, err := parseMass(i.amounts[single], markUnknown)
		if err != nil {
			return false
		}
		sum += m
		slack += half
		r, halfRunning, err := parseMass(i.amounts[running], markUnknown)
		if err != nil || (sum-r).Abs() > slack+halfRunning {
			return false
		}
	}
	return len(p.items) > 1
}

// readTotal takes the one total line, where the caller states no total.
func (p *paste) readTotal(totals []item) {
	if len(totals) > 1 {
		p.source.refuse(Problem{totals[1].number, "total", "this is a second total. Paste one formula at a time."})
		return
	}
	if len(totals) == 0 || p.Total != nil {
		return
	}
	last := totals[0].amounts[len(totals[0].amounts)-1]
	if strings.Contains(last, "%") {
		return // 100 per cent is no amount
	}
	m, _, err := parseMass(last, p.mark)
	if err != nil {
		p.source.refuse(problemAt(totals[0].number, err))
		return
	}
	shares := p.Basis == Percent || p.Basis == Parts || p.Basis == "" && (p.heading == Percent || p.heading == Parts)
	if _, unit := splitUnit(last); shares && unit == "" {
		return // the sum of the shares, which says nothing new
	}
	if m > 0 {
		p.Total = &m
	}
}

// findBasis chooses a basis from what the text says, or makes it the person's choice.
func (p *paste) findBasis() {
	masses, slack, last, rising := p.masses()
	switch {
	case p.heading != "":
		p.Basis, p.Why = p.heading, "The list says so itself."
	case p.Total != nil && rising && len(masses) > 1 && (last-*p.Total).Abs() <= slack:
		p.Basis, p.Why = Running, "The last amount is the total."
	case p.Total != nil:
		p.Basis, p.Why = Weights, "There is a total, and the last amount is not it."
	case rising && len(masses) >= 3:
		p.source.refuse(Problem{0, "basis", "the amounts only rise, so they may be running totals. Choose weights or running."})
	default:
		p.Basis, p.Why = Weights, "Nothing says otherwise."
	}
}

func (p *paste) masses() (masses []gram.Mass, slack, last gram.Mass, rising bool) {
	rising = true
	for _, r := range p.Rows {
		m, half, err := parseMass(r.Amount, p.mark)
		if err != nil {
			return nil, 0, 0, false
		}
		rising = rising && m > last
		last, slack = m, max(slack, 2*half)
		masses = append(masses, m)
	}
	return masses, slack, last, rising
}
