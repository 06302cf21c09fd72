package web

import (
	"errors"
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

// entryForm is a formula as it was typed: every word is kept, right or wrong.
type entryForm struct {
	values map[string]string
	rows   []formula.Row
	left   int // rows beyond what a form can hold
}

// The fields of the form that hold one value each.
var entryFields = []string{
	"name", "code", "alternate", "years", "tags", "notes", "swatch", "system", "coat", "finish", "reason", "note",
	"basis", "total", "paste", "fixed_order",
	"reduce_by", "reduce_paint", "pot_life",
	"hardener_name", "hardener_parts", "hardener_density", "reducer_name", "reducer_parts", "reducer_density",
}

const (
	emptyRows  = 12  // for those who type without scripts
	mostRows   = 300 // that a refused form gives back
	mostWords  = 200 // letters of a name, as the book keeps it
	mostProse  = 5000
	mostPotMin = 100_000
)

func (e entryForm) get(name string) string { return strings.TrimSpace(e.values[name]) }

func readEntry(r *http.Request) (entryForm, error) {
	e := entryForm{values: map[string]string{}}
	if err := r.ParseForm(); err != nil {
		return e, unreadable(err)
	}
	for _, name := range entryFields {
		e.values[name] = validText(r.PostForm.Get(name))
	}
	toners, amounts := r.PostForm["toner"], r.PostForm["amount"]
	for i := range max(len(toners), len(amounts)) {
		var row formula.Row
		if i < len(toners) {
			row.Toner = validText(toners[i])
		}
		if i < len(amounts) {
			row.Amount = validText(amounts[i])
		}
		e.rows = append(e.rows, row)
	}
	for n := len(e.rows); n > 0 && strings.TrimSpace(e.rows[n-1].Toner+e.rows[n-1].Amount) == ""; n-- {
		e.rows = e.rows[:n-1]
	}
	if len(e.rows) > mostRows {
		e.left = len(e.rows) - mostRows
		e.rows = e.rows[:mostRows]
	}
	return e, nil
}

// validText marks bytes that are no text, so that a page can show them and a check can refuse them.
func validText(s string) string { return strings.ToValidUTF8(s, "�") }

// entryProblems says what is wrong, by field; a row's fields are "toner-3" and "amount-3", counted from 1.
type entryProblems map[string]string

func (p entryProblems) add(field, sentence string) {
	if _, have := p[field]; !have {
		p[field] = sentence
	}
}

// take adds what a package says of the form. Sentences of a line stand beside that line.
func (p entryProblems) take(problems formula.Problems) {
	for _, problem := range problems {
		sentence := formula.Problem{Detail: problem.Detail}.Error()
		field := problem.Field
		switch {
		case problem.Line > 0 && field == "amount":
			p.add("amount-"+strconv.Itoa(problem.Line), sentence)
		case problem.Line > 0:
			p.add("toner-"+strconv.Itoa(problem.Line), sentence)
		case field == "toner" || field == "amount":
			p.add("list", sentence)
		default:
			p.add(field, sentence)
		}
	}
}

// takeError adds what err says of the fields and reports whether it said anything.
func (p entryProblems) takeError(err error) bool {
	var problems formula.Problems
	if errors.As(err, &problems) {
		p.take(problems)
		return len(problems) > 0
	}
	var one formula.Problem
	if errors.As(err, &one) {
		p.take(formula.Problems{one})
		return true
	}
	return false
}

// heading reads what is said about a formula.
func (e entryForm) heading(p entryProblems) formula.Formula {
	f := formula.Formula{
		Name: e.get("name"), Code: e.get("code"), Alternate: e.get("alternate"), Years: e.get("years"), Tags: splitTags(e.get("tags")),
		System: formula.System(e.get("system")), Coat: formula.Coat(e.get("coat")), Finish: formula.Finish(e.get("finish")),
		Swatch: strings.ToLower(e.get("swatch")), Notes: e.get("notes"),
	}
	if f.Name == "" {
		p.add("name", "The formula has no name. Enter one.")
	}
	for _, field := range []string{"name", "code", "alternate", "years", "tags"} {
		if wrong := wrongText(e.get(field), mostWords, false); wrong != "" {
			p.add(field, wrong)
		}
	}
	if wrong := wrongText(f.Notes, mostProse, true); wrong != "" {
		p.add("notes", wrong)
	}
	if slices.ContainsFunc(f.Tags, func(t string) bool { return strings.Contains(t, ";") }) {
		p.add("tags", "A tag cannot hold a semicolon. Part the tags by commas.")
	}
	if f.Swatch != "" && !swatchForm.MatchString(f.Swatch) {
		p.add("swatch", "That is no swatch. Write it like #a0b1c2, or leave it empty.")
	}
	if !slices.Contains(formula.Coats, f.Coat) {
		p.add("coat", "Choose the coat that this formula is for.")
	}
	if !slices.Contains(formula.Finishes, f.Finish) {
		p.add("finish", "Choose solid, metallic or pearl.")
	}
	return f
}

var swatchForm = regexp.MustCompile(`^#[0-9a-f]{6}$`)

func splitTags(text string) []string {
	var tags []string
	for t := range strings.SplitSeq(text, ",") {
		if t = strings.TrimSpace(t); t != "" {
			tags = append(tags, t)
		}
	}
	return tags
}

// wrongText says what is wrong with words that are to be kept, nothing where they are sound. Any script is welcome.
func wrongText(s string, most int, prose bool) string {
	switch {
	case strings.ContainsRune(s, utf8.RuneError):
		return "There is a character that was lost on the way (�). Type it again."
	case utf8.RuneCountInString(s) > most:
		return fmt.Sprintf("That is longer than %d characters. Shorten it.", most)
	case strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) && !(prose && (r == '\n' || r == '\r' || r == '\t')) }):
		return "There is a line break, a tab or another control character in it. Take it out."
	}
	return ""
}

// lines reads the list by the rules of the package formula.
func (e entryForm) lines(p entryProblems, find formula.Lookup) []formula.Line {
	rows := slices.Concat(e.rows, make([]formula.Row, 0))
	for range e.left {
		rows = append(rows, formula.Row{Toner: "…", Amount: "…"}) // counted, not kept
	}
	lines, problems := formula.ParseLines(formula.Basis(e.get("basis")), rows, e.total(p), find)
	p.take(problems)
	if e.left > 0 {
		p["list"] = fmt.Sprintf("%s Only the first %d are kept here.", p["list"], mostRows)
	}
	return lines
}

// total returns the paper's total, nil where none is typed.
func (e entryForm) total(p entryProblems) *gram.Mass {
	if e.get("total") == "" {
		return nil
	}
	m, err := formula.ParseMass(e.get("total"))
	if err != nil {
		p.add("total", capital(err.Error()))
		return nil
	}
	if m == 0 {
		p.add("total", "The total is 0 g. Correct it or leave it empty.")
		return nil
	}
	return &m
}

// part is what a form asks about hardener and reducer.
type part struct {
	field string
	kind  formula.Kind
	name  string
}

var reductionParts = []part{{"hardener", formula.Hardener, "Hardener"}, {"reducer", formula.Reducer, "Reducer"}}

// reduction reads the usual reduction and its pot life, nil where nothing of it is typed.
func (e entryForm) reduction(p entryProblems, find formula.Lookup) (*formula.Ratio, time.Duration) {
	var life time.Duration
	if e.get("pot_life") != "" {
		life = time.Duration(e.number(p, "pot_life", "The pot life", 0, mostPotMin, "minutes") * float64(time.Minute)).Round(time.Second)
	}
	q := formula.Ratio{By: e.get("reduce_by")}
	asked := e.get("reduce_paint") != ""
	for _, part := range reductionParts {
		if e.get(part.field+"_parts") != "" {
			q.Parts = append(q.Parts, e.part(p, part, q.By, find))
			asked = true
		} else if e.get(part.field+"_density") != "" {
			p.add(part.field+"_parts", "There are no parts. Enter them, or clear the density.")
		}
	}
	if !asked {
		if life > 0 {
			p.add("pot_life", "There is a pot life, but no hardener. Enter the parts of hardener, or clear it.")
		}
		return nil, life
	}
	if q.By != "volume" && q.By != "weight" {
		p.add("reduce_by", "Choose parts by volume or by weight.")
	}
	if len(q.Parts) == 0 {
		p.add("reduction", "There are parts of paint, but nothing to reduce it with. Enter hardener or reducer, or clear it.")
	}
	if e.get("reduce_paint") == "" {
		p.add("reduce_paint", "Enter how many parts of paint.")
	} else {
		q.Paint = e.number(p, "reduce_paint", "The parts of paint", 0.001, 10_000, "")
	}
	return &q, life
}

func (e entryForm) part(p entryProblems, which part, by string, find formula.Lookup) formula.Part {
	out := formula.Part{Kind: which.kind, Name: e.get(which.field + "_name")}
	if out.Name == "" {
		out.Name = which.name
	}
	if wrong := wrongText(out.Name, mostWords, false); wrong != "" {
		p.add(which.field+"_name", wrong)
	}
	out.Parts = e.number(p, which.field+"_parts", "The parts", 0.001, 10_000, "")
	toner, known := find(out.Name)
	switch {
	case e.get(which.field+"_density") != "":
		out.Density = e.number(p, which.field+"_density", "The density", 0.3, 10, "g/ml")
	case known && toner.Kind == which.kind && toner.Density > 0:
		out.Density = toner.Density
	case by == "volume":
		p.add(which.field+"_density", "By volume the density is needed. Enter it in g/ml, or put it on the shelf.")
	}
	return out
}

// number reads a number that must lie from least to most.
func (e entryForm) number(p entryProblems, field, what string, least, most float64, unit string) float64 {
	v, err := formula.ParseNumber(e.get(field))
	switch {
	case err != nil:
		p.add(field, capital(err.Error()))
	case v < least || v > most:
		p.add(field, strings.TrimSpace(fmt.Sprintf("%s cannot be %s. Enter %s to %s %s", what, decimal(v, -1), decimal(least, -1), decimal(most, -1), unit))+".")
	default:
		return v
	}
	return 0
}
