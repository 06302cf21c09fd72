package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/static"
	"pourbook/web/page"
)

// entryKind is what a form of formulas is for: what it asks, where it goes and what is done with it.
type entryKind struct {
	heading, sub, action, cancel, submit string

	names  bool // it asks for the heading: name, code, coat …
	lines  bool // it asks for toners and amounts
	reason bool // it asks why
	system formula.System
	before *formula.Formula // the formula whose own name does not count as taken

	keep func(ctx context.Context, f formula.Formula, rev formula.Revision) (int64, error)
}

// formulaNew asks for a new formula.
func (s *server) formulaNew(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	form := entryForm{values: map[string]string{"basis": string(formula.Weights), "coat": string(formula.Base), "finish": string(formula.FinishSolid), "system": q.Get("system")}}
	return s.showEntry(w, r, http.StatusOK, s.newKind(), form, entryProblems{})
}

func (s *server) formulaCreate(w http.ResponseWriter, r *http.Request) error {
	return s.saveEntry(w, r, s.newKind())
}

func (s *server) newKind() entryKind {
	return entryKind{
		heading: "New formula", action: "/book/new", cancel: "/book", submit: "Keep this formula", names: true, lines: true,
		keep: func(ctx context.Context, f formula.Formula, rev formula.Revision) (int64, error) {
			f, _, err := s.Store.CreateFormula(ctx, f, rev)
			return f.ID, err
		},
	}
}

// reviseForm asks for the next revision of a formula, filled with the present one.
func (s *server) reviseForm(w http.ResponseWriter, r *http.Request) error {
	f, rev, err := s.formulaAt(r)
	if err != nil {
		return err
	}
	form := formOf(f, rev)
	form.values["note"] = ""
	return s.showEntry(w, r, http.StatusOK, s.reviseKind(f), form, entryProblems{})
}

func (s *server) reviseSave(w http.ResponseWriter, r *http.Request) error {
	f, _, err := s.formulaAt(r)
	if err != nil {
		return err
	}
	return s.saveEntry(w, r, s.reviseKind(f))
}

func (s *server) reviseKind(f formula.Formula) entryKind {
	return entryKind{
		heading: "New revision of " + f.Title(), sub: "The revisions before stay as they are, and so does every batch that was made of them.",
		action: formulaHref(f.ID) + "/revise", cancel: formulaHref(f.ID), submit: "Keep this revision", lines: true, system: f.System,
		keep: func(ctx context.Context, _ formula.Formula, rev formula.Revision) (int64, error) {
			_, err := s.Store.AddRevision(ctx, f.ID, rev)
			return f.ID, err
		},
	}
}

// formulaEdit changes the heading of a formula, not its lines.
func (s *server) formulaEdit(w http.ResponseWriter, r *http.Request) error {
	f, rev, err := s.formulaAt(r)
	if err != nil {
		return err
	}
	return s.showEntry(w, r, http.StatusOK, s.editKind(f), formOf(f, rev), entryProblems{})
}

func (s *server) formulaEditSave(w http.ResponseWriter, r *http.Request) error {
	f, _, err := s.formulaAt(r)
	if err != nil {
		return err
	}
	return s.saveEntry(w, r, s.editKind(f))
}

func (s *server) editKind(f formula.Formula) entryKind {
	return entryKind{
		heading: "Heading of " + f.Title(), sub: "What is said about the formula. Its toners change by a new revision.",
		action: formulaHref(f.ID) + "/edit", cancel: formulaHref(f.ID), submit: "Keep the heading", names: true, system: f.System, before: &f,
		keep: func(ctx context.Context, changed formula.Formula, _ formula.Revision) (int64, error) {
			changed.ID, changed.Target, changed.Parent, changed.Retired = f.ID, f.Target, f.Parent, f.Retired
			_, err := s.Store.UpdateFormula(ctx, changed)
			return f.ID, err
		},
	}
}

// formOf returns the form as it would have been typed for a revision.
func formOf(f formula.Formula, rev formula.Revision) entryForm {
	e := entryForm{values: map[string]string{
		"name": f.Name, "code": f.Code, "alternate": f.Alternate, "years": f.Years, "tags": strings.Join(f.Tags, ", "), "notes": f.Notes,
		"swatch": f.Swatch, "system": string(f.System), "coat": string(f.Coat), "finish": string(f.Finish),
		"basis": string(formula.Weights), "note": rev.Note,
	}}
	masses, _ := columns(rev.Lines)
	show := exactGrams(masses)
	for _, l := range rev.Lines {
		e.rows = append(e.rows, formula.Row{Toner: l.Toner.Name, Amount: show(l.Mass)})
	}
	if rev.FixedOrder {
		e.values["fixed_order"] = "yes"
	}
	if rev.PotLife > 0 {
		e.values["pot_life"] = decimal(rev.PotLife.Minutes(), -1)
	}
	if q := rev.Reduction; q != nil {
		e.values["reduce_by"], e.values["reduce_paint"] = q.By, decimal(q.Paint, -1)
		for _, part := range q.Parts {
			field := "reducer"
			if part.Kind == formula.Hardener {
				field = "hardener"
			}
			e.values[field+"_name"], e.values[field+"_parts"] = part.Name, decimal(part.Parts, -1)
			if part.Density > 0 {
				e.values[field+"_density"] = decimal(part.Density, -1)
			}
		}
	}
	return e
}

// saveEntry checks a form and keeps it, or returns it with what is wrong beside each field.
func (s *server) saveEntry(w http.ResponseWriter, r *http.Request, kind entryKind) error {
	form, err := readEntry(r)
	if err != nil {
		return err
	}
	if r.PostForm.Get("do") == "read" {
		return s.readPaste(w, r, kind, form)
	}
	problems := entryProblems{}
	f, rev, err := s.checkEntry(r, kind, form, problems)
	if err != nil {
		return err
	}
	if len(problems) > 0 {
		return s.showEntry(w, r, http.StatusUnprocessableEntity, kind, form, problems)
	}
	id, err := kind.keep(r.Context(), f, rev)
	if err != nil {
		if problems.takeError(err) {
			return s.showEntry(w, r, http.StatusUnprocessableEntity, kind, form, problems)
		}
		return err
	}
	http.Redirect(w, r, formulaHref(id), http.StatusSeeOther)
	return nil
}

func (s *server) checkEntry(r *http.Request, kind entryKind, form entryForm, p entryProblems) (formula.Formula, formula.Revision, error) {
	finder, err := s.tonerFinder(r.Context())
	if err != nil {
		return formula.Formula{}, formula.Revision{}, err
	}
	var f formula.Formula
	if kind.names {
		f = form.heading(p)
		if err := s.checkTaken(r.Context(), kind, form, f, p); err != nil {
			return f, formula.Revision{}, err
		}
	}
	if kind.reason && form.get("reason") == "" {
		p.add("reason", "There is no reason. Say why this variant is made, so that somebody still knows in three years.")
	}
	if wrong := wrongText(form.get("reason"), mostProse, true); wrong != "" {
		p.add("reason", wrong)
	}
	if kind.reason {
		f.Parent = &formula.Origin{Reason: form.get("reason")}
	}
	rev := formula.Revision{By: visitorOf(r).Person, At: s.Now(), Note: form.get("note"), FixedOrder: form.get("fixed_order") != ""}
	if wrong := wrongText(rev.Note, mostProse, true); wrong != "" {
		p.add("note", wrong)
	}
	system := kind.ownSystem(form)
	f.System = system
	if system == "" {
		p.add("system", "Choose the paint system that the toners belong to.")
	}
	if kind.lines {
		rev.Lines = form.lines(p, func(name string) (formula.Toner, bool) { return finder.find(system, name) })
		foreignLines(rev.Lines, system, p)
		rev.Reduction, rev.PotLife = form.reduction(p, func(name string) (formula.Toner, bool) { return finder.own(system, name) })
	}
	return f, rev, finder.err
}

func (k entryKind) ownSystem(form entryForm) formula.System {
	if k.system != "" {
		return k.system
	}
	return formula.System(form.get("system"))
}

func foreignLines(lines []formula.Line, system formula.System, p entryProblems) {
	at := 0
	for _, l := range lines {
		at++
		if l.Toner.System != system && system != "" {
			p.add("list", fmt.Sprintf("%s belongs to %s, but the formula to %s. Paint systems do not mix: choose toners of %s.", l.Toner.Name, l.Toner.System, system, system))
		}
	}
}

// checkTaken refuses a second formula that nobody could tell from the first.
func (s *server) checkTaken(ctx context.Context, kind entryKind, form entryForm, f formula.Formula, p entryProblems) error {
	if f.Name == "" || p["name"] != "" || p["code"] != "" || p["alternate"] != "" {
		return nil
	}
	f.System = kind.ownSystem(form)
	if b := kind.before; b != nil && b.Coat == f.Coat && sameWords(b.Name, f.Name) && sameWords(b.Code, f.Code) && sameWords(b.Alternate, f.Alternate) {
		return nil
	}
	taken, err := s.Store.Holds(ctx, f)
	if taken {
		p.add("alternate", f.Title()+" is in the book already. Give this one another alternate.")
	}
	return err
}

func sameWords(a, b string) bool {
	return strings.EqualFold(strings.Join(strings.Fields(a), " "), strings.Join(strings.Fields(b), " "))
}

// readPaste puts a pasted list into the rows of the form, to be looked over there.
func (s *server) readPaste(w http.ResponseWriter, r *http.Request, kind entryKind, form entryForm) error {
	finder, err := s.tonerFinder(r.Context())
	if err != nil {
		return err
	}
	problems := entryProblems{}
	read := formula.ParsePaste(form.values["paste"], "", form.total(problems), func(name string) (formula.Toner, bool) {
		return finder.find(kind.ownSystem(form), name)
	})
	if finder.err != nil {
		return finder.err
	}
	if len(read.Rows) == 0 {
		problems.add("paste", capital(firstProblem(read.Problems)))
		return s.showEntry(w, r, http.StatusUnprocessableEntity, kind, form, problems)
	}
	form.rows = read.Rows[:min(len(read.Rows), mostRows)]
	if read.Basis != "" {
		form.values["basis"] = string(read.Basis)
	} else {
		problems.add("basis", "The amounts only rise, so they may be running totals. Choose weights or running.")
	}
	if read.Total != nil && form.get("total") == "" {
		form.values["total"] = read.Total.Show(100)
	}
	if form.get("name") == "" {
		form.values["name"] = read.Title
	}
	form.values["paste"] = ""
	form.lines(problems, func(name string) (formula.Toner, bool) { return finder.find(kind.ownSystem(form), name) })
	status := http.StatusOK
	if len(problems) > 0 {
		status = http.StatusUnprocessableEntity
	}
	return s.showEntry(w, r, status, kind, form, problems)
}

func firstProblem(ps formula.Problems) string {
	if len(ps) == 0 {
		return "There is no line with a toner and a weight. Paste one line for each toner."
	}
	return ps[0].Error()
}

func (s *server) showEntry(w http.ResponseWriter, r *http.Request, status int, kind entryKind, form entryForm, p entryProblems) error {
	systems, err := s.Store.Systems(r.Context())
	if err != nil {
		return err
	}
	view := page.Entry{
		Chrome: s.bookChrome(r, kind.heading), Heading: kind.heading, Sub: kind.sub, Action: kind.action, Cancel: kind.cancel, Submit: kind.submit,
		NoShelf: len(systems) == 0, Summary: summary(p), Fixed: string(kind.system),
	}
	view.Scripts = append(view.Scripts, static.URL("js/entry.js"))
	if kind.reason {
		view.Reason = &page.Input{Name: "reason", Label: "Why this variant?", Value: form.values["reason"], Problem: p["reason"], Hint: "“Matches the left door of the van”, “greener under tube light”", Required: true, Focus: true}
	}
	if kind.names {
		s.headingView(&view, kind, form, p, systems)
	}
	if kind.lines {
		lines := linesView(form, p)
		view.Lines = &lines
		reduced := reductionView(form, p)
		view.Reduction = &reduced
		view.Prose = append(view.Prose, page.Input{Name: "note", Label: "What this revision is about", Value: form.values["note"], Problem: p["note"], Rows: 2})
	}
	return render(w, r, status, page.EntryPage(view))
}

func summary(p entryProblems) string {
	switch {
	case len(p) == 0:
		return ""
	case len(p) == 1:
		return "One thing is to be put right. It stands beside its field; nothing that was typed is lost."
	}
	return fmt.Sprintf("%d things are to be put right. Each stands beside its field; nothing that was typed is lost.", len(p))
}

func (s *server) headingView(view *page.Entry, kind entryKind, form entryForm, p entryProblems, systems []formula.System) {
	input := func(name, label string) page.Input {
		return page.Input{Name: name, Label: label, Value: form.values[name], Problem: p[name]}
	}
	name := input("name", "Name")
	name.Required, name.Focus = true, !kind.reason
	view.Names = []page.Input{
		name, input("code", "Code"), input("alternate", "Alternate"), input("years", "Years"), input("tags", "Tags, with commas between"),
	}
	if kind.system == "" {
		chosen := form.get("system")
		if chosen == "" && len(systems) == 1 {
			chosen = string(systems[0])
		}
		view.System = pick("system", "Paint system", "Choose one", chosen, systems)
		view.System.Problem = p["system"]
	}
	view.Layer = []page.Pick{pick("coat", "Coat", "", form.get("coat"), formula.Coats), pick("finish", "Finish", "", form.get("finish"), formula.Finishes)}
	view.Layer[0].Problem, view.Layer[1].Problem = p["coat"], p["finish"]
	tint := input("swatch", "Swatch, like #a0b1c2")
	view.Tint = &tint
	notes := input("notes", "Notes")
	notes.Rows = 3
	view.Prose = append(view.Prose, notes)
}

// basisWords name the bases as the form shows them.
var basisWords = map[formula.Basis]string{
	formula.Weights: "Single weights", formula.Running: "Running totals", formula.Percent: "Per cent", formula.Parts: "Parts",
}

// amountWords name the column that is typed.
var amountWords = map[formula.Basis]string{formula.Weights: "As typed, g", formula.Running: "Total, g", formula.Percent: "Per cent", formula.Parts: "Parts"}

func linesView(form entryForm, p entryProblems) page.EntryLines {
	v := page.EntryLines{
		Basis:   page.Pick{Name: "basis", Label: "The paper gives", Problem: p["basis"]},
		Total:   page.Input{Name: "total", Label: "Total on the paper, to check", Value: form.values["total"], Problem: p["total"], Unit: "g", Numeric: true},
		Problem: p["list"], Paste: form.values["paste"], Pasting: p["paste"], Fixed: form.get("fixed_order") != "",
	}
	for _, b := range formula.Bases {
		v.Basis.Options = append(v.Basis.Options, page.PickOption{Value: string(b), Label: basisWords[b], Chosen: string(b) == form.get("basis")})
	}
	v.Amount = amountWords[formula.Basis(form.get("basis"))]
	figures, sum := figuresOf(form)
	for i := range max(emptyRows, len(form.rows)+2) {
		no := strconv.Itoa(i + 1)
		row := page.EntryRow{No: no, TonerProblem: p["toner-"+no], AmountProblem: p["amount-"+no]}
		if i < len(form.rows) {
			row.Toner, row.Amount = form.rows[i].Toner, form.rows[i].Amount
			row.Grams, row.Running, row.Share = figures[i].Grams, figures[i].Running, figures[i].Share
		}
		v.Rows = append(v.Rows, row)
	}
	v.Sum = sum
	return v
}

// rowFigures is what a line comes to, as far as its amount can be read.
type rowFigures struct {
	Grams   string `json:"grams"`
	Running string `json:"running"`
	Share   string `json:"share"`
}

// figuresOf works out grams, running total and share of each line that can be read by itself. It refuses nothing:
// that is for formula.ParseLines.
func figuresOf(form entryForm) ([]rowFigures, string) {
	basis := formula.Basis(form.get("basis"))
	values := make([]float64, len(form.rows)) // grams, per cent or parts of each line alone
	sum, before := 0.0, 0.0
	for i, row := range form.rows {
		switch basis {
		case formula.Percent, formula.Parts:
			if v, err := formula.ParseNumber(strings.TrimSuffix(strings.TrimSpace(row.Amount), "%")); err == nil && v > 0 && v < 1e9 {
				values[i] = v
			}
		default:
			m, err := formula.ParseMass(row.Amount)
			if err != nil || m == 0 {
				continue
			}
			values[i] = m.Grams()
			if basis == formula.Running {
				values[i] = max(m.Grams()-before, 0)
				before = max(m.Grams(), before)
			}
		}
		sum += values[i]
	}
	whole, scale := sum, 1.0
	if basis == formula.Percent || basis == formula.Parts {
		whole = formula.DefaultAmount.Grams()
		if m := form.total(entryProblems{}); m != nil {
			whole = m.Grams()
		}
		scale = whole / max(sum, 1e-12)
		if basis == formula.Percent {
			scale = whole / 100
		}
	}
	out, running := make([]rowFigures, len(values)), 0.0
	for i, v := range values {
		if v > 0 {
			running += v * scale
			out[i] = rowFigures{gram.Of(v * scale).Show(100), gram.Of(running).Show(100), decimal(100*v/sum, 1) + " %"}
		}
	}
	if running == 0 {
		return out, ""
	}
	return out, gram.Of(running).Show(100) + " g"
}

func reductionView(form entryForm, p entryProblems) page.EntryReduction {
	number := func(name, label, unit string) page.Input {
		return page.Input{Name: name, Label: label, Value: form.values[name], Problem: p[name], Unit: unit, Numeric: true}
	}
	v := page.EntryReduction{
		By:      page.Pick{Name: "reduce_by", Label: "Parts by", Problem: p["reduce_by"]},
		Paint:   number("reduce_paint", "Paint, parts", ""),
		PotLife: number("pot_life", "Pot life", "min"), Problem: p["reduction"],
	}
	by := form.get("reduce_by")
	for _, o := range []string{"volume", "weight"} {
		v.By.Options = append(v.By.Options, page.PickOption{Value: o, Label: capital(o), Chosen: o == by || by == "" && o == "volume"})
	}
	for _, part := range reductionParts {
		dense := number(part.field+"_density", "Density", "g/ml")
		view := page.EntryPart{
			Legend: part.name, Name: page.Input{Name: part.field + "_name", Label: "Name", Value: form.values[part.field+"_name"], Problem: p[part.field+"_name"]},
			Parts: number(part.field+"_parts", "Parts", ""), Dense: dense,
		}
		v.Parts = append(v.Parts, view)
	}
	for field := range p {
		v.Open = v.Open || strings.HasPrefix(field, "reduc") || strings.HasPrefix(field, "hardener") || field == "pot_life"
	}
	v.Open = v.Open || form.get("reduce_paint") != ""
	return v
}

// entryCheck says, while a list is typed, what its lines come to and what is wrong with them: by the same rules by which
// it will be kept.
func (s *server) entryCheck(w http.ResponseWriter, r *http.Request) error {
	form, err := readEntry(r)
	if err != nil {
		return err
	}
	finder, err := s.tonerFinder(r.Context())
	if err != nil {
		return err
	}
	problems := entryProblems{}
	form.lines(problems, func(name string) (formula.Toner, bool) { return finder.find(formula.System(form.get("system")), name) })
	if finder.err != nil {
		return finder.err
	}
	figures, sum := figuresOf(form)
	writeJSON(w, http.StatusOK, struct {
		Rows     []rowFigures  `json:"rows"`
		Sum      string        `json:"sum"`
		Problems entryProblems `json:"problems"`
	}{figures, sum, problems})
	return nil
}

// withQuery returns an address with one value.
func withQuery(path, name, value string) string {
	if value == "" {
		return path
	}
	return path + "?" + url.Values{name: {value}}.Encode()
}
