package web

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"mime/multipart"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// formulaPage shows a formula at one revision, for any amount.
func (s *server) formulaPage(w http.ResponseWriter, r *http.Request) error {
	f, rev, err := s.formulaAt(r)
	if err != nil {
		return err
	}
	view, err := s.formulaView(r, f, rev)
	if err != nil {
		return err
	}
	status := http.StatusOK
	if view.Amount.Problem != "" {
		status = http.StatusUnprocessableEntity
	}
	return render(w, r, status, page.FormulaPage(view))
}

// formulaAt returns the formula of the address at the revision that is asked for, the latest where none is.
func (s *server) formulaAt(r *http.Request) (formula.Formula, formula.Revision, error) {
	id, err := pathID(r, "formula")
	if err != nil {
		return formula.Formula{}, formula.Revision{}, err
	}
	f, err := s.Store.Formula(r.Context(), id)
	if err != nil {
		return f, formula.Revision{}, err
	}
	rev, err := s.revisionOf(r.Context(), f, r.URL.Query().Get("rev"))
	return f, rev, err
}

func (s *server) formulaView(r *http.Request, f formula.Formula, rev formula.Revision) (page.Formula, error) {
	ctx := r.Context()
	settings, err := s.Store.Settings(ctx)
	if err != nil {
		return page.Formula{}, err
	}
	history, err := s.Store.Revisions(ctx, f.ID)
	if err != nil {
		return page.Formula{}, err
	}
	cards, err := s.Store.Wall(ctx, f.ID)
	if err != nil {
		return page.Formula{}, err
	}
	v := page.Formula{
		Chrome: s.bookChrome(r, f.Title()), ID: strconv.FormatInt(f.ID, 10), Title: f.Title(), Swatch: f.Swatch,
		Meta: joined(" · ", f.Code, f.Years), Layer: capital(string(f.Coat)) + ", " + string(f.Finish) + ", " + string(f.System),
		Tags: f.Tags, Notes: paragraphs(f.Notes), Retired: f.Retired,
		Revision: s.revisionHead(rev, history), History: s.history(rev, history),
		Cards: "Cards",
	}
	if len(cards) > 0 {
		v.Cards = counted(len(cards), "card", "cards")
	}
	fillAmount(&v, r.URL.Query(), rev, settings)
	v.Mix = mixHref(f, rev, v)
	if err := s.fillKin(r, &v, f, rev); err != nil {
		return v, err
	}
	return v, s.fillBatches(r, &v, f)
}

func paragraphs(text string) []string {
	var all []string
	for p := range strings.SplitSeq(text, "\n") {
		if p = strings.TrimSpace(p); p != "" {
			all = append(all, p)
		}
	}
	return all
}

func (s *server) revisionHead(rev formula.Revision, history []formula.Revision) page.RevisionHead {
	h := page.RevisionHead{
		ID: strconv.FormatInt(rev.ID, 10), Name: "Revision " + strconv.Itoa(rev.Number),
		By: joined(", ", rev.By, s.day(rev.At)), Note: rev.Note, Order: rev.FixedOrder,
	}
	if len(history) > 0 && history[0].ID != rev.ID {
		h.Latest = formulaHref(rev.FormulaID)
	}
	return h
}

func (s *server) history(here formula.Revision, all []formula.Revision) []page.RevisionRow {
	rows := make([]page.RevisionRow, len(all))
	for i, rev := range all {
		rows[i] = page.RevisionRow{
			Href: formulaHref(rev.FormulaID) + "?rev=" + strconv.FormatInt(rev.ID, 10), Name: "Revision " + strconv.Itoa(rev.Number),
			When: joined(", ", s.day(rev.At), rev.By), Note: rev.Note, Here: rev.ID == here.ID,
		}
		if rev.ID != here.ID {
			rows[i].Compare = compareHref(min(rev.ID, here.ID), max(rev.ID, here.ID))
		}
	}
	return rows
}

func compareHref(a, b int64) string {
	return fmt.Sprintf("/compare?a=%d&b=%d", a, b)
}

// fillAmount resizes the revision to what is asked for. What cannot be weighed keeps the formula's own amount
// and says why.
func fillAmount(v *page.Formula, q url.Values, rev formula.Revision, settings store.Settings) {
	masses, densities := columns(rev.Lines)
	density, densityErr := gram.Density(masses, densities)
	unit := gram.Unit(q.Get("unit"))
	if !unit.Known() {
		unit = settings.Unit
	}
	v.Amount = page.Input{Name: "amount", Label: "Amount of colour", Value: q.Get("amount"), Numeric: true}
	v.Unit = page.Pick{Name: "unit", Label: "In"}
	for _, u := range gram.Units {
		v.Unit.Options = append(v.Unit.Options, page.PickOption{Value: string(u), Label: u.Label(), Chosen: u == unit})
	}
	show := exactGrams
	if strings.TrimSpace(v.Amount.Value) != "" {
		resized, asked, sentence := resize(v.Amount.Value, unit, masses, density, densityErr)
		if v.Amount.Problem = sentence; sentence == "" {
			masses = resized
			v.Shown = asked.String() + " of colour"
			show = func([]gram.Mass) func(gram.Mass) string {
				return func(m gram.Mass) string { return m.Show(settings.Balance.Division) }
			}
		}
	}
	total := gram.Sum(masses)
	if v.Shown == "" {
		v.Shown = "As the book has it"
	}
	v.Shown += ": " + show(masses)(total) + " g"
	if densityErr == nil {
		v.Shown += fmt.Sprintf(", %s ml", decimal(total.Grams()/density, 0))
	} else {
		v.Note = missingDensity(rev.Lines)
	}
	fillLines(v, rev.Lines, masses, show(masses))
	v.Reduce = reduction(rev, total, density, settings.Balance.Division)
}

func columns(lines []formula.Line) ([]gram.Mass, []float64) {
	masses, densities := make([]gram.Mass, len(lines)), make([]float64, len(lines))
	for i, l := range lines {
		masses[i], densities[i] = l.Mass, l.Toner.Density
	}
	return masses, densities
}

func resize(typed string, unit gram.Unit, masses []gram.Mass, density float64, densityErr error) ([]gram.Mass, gram.Amount, string) {
	asked := gram.Amount{Unit: unit}
	value, err := formula.ParseNumber(typed)
	if err != nil {
		return nil, asked, capital(err.Error())
	}
	asked.Value = value
	if unit.IsVolume() && densityErr != nil {
		return nil, asked, "The volume is not known, since a toner has no density. Ask for grams, or enter the density on the shelf."
	}
	total, err := asked.Mass(density)
	if err != nil {
		return nil, asked, plain(err)
	}
	resized, err := gram.Resize(masses, total)
	if err != nil {
		return nil, asked, plain(err)
	}
	return resized, asked, ""
}

// plain returns an error of the numeric packages as a sentence.
func plain(err error) string {
	text := strings.TrimPrefix(err.Error(), "gram: ")
	return capital(strings.TrimSuffix(text, ".")) + "."
}

func missingDensity(lines []formula.Line) string {
	for _, l := range lines {
		if l.Toner.Density <= 0 {
			return "The volume is not known: " + l.Toner.Name + " has no density on the shelf."
		}
	}
	return ""
}

// exactGrams shows masses as they are kept, all with the decimals that the finest of them needs, one at least.
func exactGrams(masses []gram.Mass) func(gram.Mass) string {
	division := gram.Mass(100)
	for _, m := range masses {
		for m%division != 0 {
			division /= 10
		}
	}
	return func(m gram.Mass) string { return m.Show(division) }
}

func fillLines(v *page.Formula, lines []formula.Line, masses []gram.Mass, show func(gram.Mass) string) {
	total, running := gram.Sum(masses), gram.Mass(0)
	parts := formula.Fractions(lines)
	before := 0.0
	for i, l := range lines {
		running += masses[i]
		v.Lines = append(v.Lines, page.FormulaLine{
			Swatch: l.Toner.Swatch, Name: l.Toner.Name, Code: l.Toner.Code, Href: tonerHref(l.Toner.ID), Caution: caution(l.Toner),
			Grams: show(masses[i]), Share: decimal(100*parts[i], 2), Running: show(running),
		})
		v.Band = append(v.Band, page.BandPart{X: decimal(100*before, 3), Width: decimal(100*parts[i], 3), Fill: l.Toner.Swatch})
		before += parts[i]
	}
	v.Total = show(total)
}

func caution(t formula.Toner) string {
	switch {
	case t.Replaced != nil:
		return fmt.Sprintf("superseded by %s, %s g for each gram", t.Replaced.By, decimal(t.Replaced.Factor, -1))
	case !t.Stocked:
		return "not stocked"
	}
	return ""
}

// decimal writes a number with so many decimals, or with as many as it needs where that is -1.
func decimal(v float64, decimals int) string { return strconv.FormatFloat(v, 'f', decimals, 64) }

// reduction shows the usual reduction of a revision, and what goes into total of its colour.
func reduction(rev formula.Revision, total gram.Mass, density float64, division gram.Mass) *page.FormulaReduction {
	if rev.Reduction == nil {
		return nil
	}
	q := *rev.Reduction
	words := []string{decimal(q.Paint, -1) + " paint"}
	parts := make([]gram.Part, len(q.Parts))
	for i, p := range q.Parts {
		words = append(words, decimal(p.Parts, -1)+" "+string(p.Kind))
		parts[i] = gram.Part{Name: p.Name, Parts: p.Parts, Density: p.Density}
	}
	v := &page.FormulaReduction{Ratio: strings.Join(words, " : ") + " by " + q.By}
	if rev.PotLife > 0 {
		v.Ratio += ", pot life " + hours(rev.PotLife)
	}
	steps, err := gram.ReduceByRatio(total, density, q.Paint, parts, q.By == "volume")
	for i, p := range q.Parts {
		row := page.ReductionRow{Name: p.Name, Amount: decimal(p.Parts, -1) + " " + plural(p.Parts, "part", "parts")}
		if err == nil { // without densities the parts have to do
			row.Amount = steps[i].Mass.Show(division) + " g"
		}
		v.Rows = append(v.Rows, row)
	}
	return v
}

func plural(n float64, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

func hours(d time.Duration) string {
	if d < 2*time.Hour {
		return decimal(d.Minutes(), -1) + " min"
	}
	return decimal(math.Round(d.Hours()*10)/10, -1) + " h"
}

func mixHref(f formula.Formula, rev formula.Revision, v page.Formula) string {
	q := url.Values{}
	if v.Revision.Latest != "" {
		q.Set("rev", strconv.FormatInt(rev.ID, 10))
	}
	if v.Amount.Value != "" && v.Amount.Problem == "" {
		q.Set("amount", v.Amount.Value)
		for _, u := range v.Unit.Options {
			if u.Chosen {
				q.Set("unit", u.Value)
			}
		}
	}
	href := "/mix/" + strconv.FormatInt(f.ID, 10)
	if len(q) > 0 {
		href += "?" + q.Encode()
	}
	return href
}

// fillKin adds where a formula comes from, what was made of it, and what stands beside it.
func (s *server) fillKin(r *http.Request, v *page.Formula, f formula.Formula, rev formula.Revision) error {
	family, err := s.Store.Family(r.Context(), f.ID)
	if err != nil {
		return err
	}
	beside, err := s.Store.Alternates(r.Context(), f)
	if err != nil {
		return err
	}
	nodes, err := formula.Family(family)
	if err != nil {
		return err
	}
	latest := map[int64]int64{f.ID: rev.ID}
	for _, other := range append(family, beside...) {
		if _, known := latest[other.ID]; !known {
			last, err := s.Store.LatestRevision(r.Context(), other.ID)
			if err != nil {
				return err
			}
			latest[other.ID] = last.ID
		}
		if f.Parent != nil && other.ID == f.Parent.FormulaID {
			v.Origin = origin(other, *f.Parent)
		}
	}
	v.Family = len(family) > 1
	v.Tree = treeNodes(nodes, f.ID, latest)
	v.Beside = besideCards(f, beside, latest)
	return nil
}

func origin(parent formula.Formula, o formula.Origin) *page.FormulaOrigin {
	v := &page.FormulaOrigin{Href: formulaHref(parent.ID), Title: parent.Title(), Reason: o.Reason}
	if o.RevisionID != 0 {
		v.Href += "?rev=" + strconv.FormatInt(o.RevisionID, 10)
	}
	if o.BatchID != "" {
		v.Batch = "/batch/" + url.PathEscape(o.BatchID)
	}
	return v
}

func treeNodes(nodes []formula.Node, here int64, latest map[int64]int64) []page.TreeNode {
	views := make([]page.TreeNode, len(nodes))
	for i, n := range nodes {
		views[i] = page.TreeNode{
			Href: formulaHref(n.Formula.ID), Swatch: n.Formula.Swatch, Title: n.Formula.Title(),
			Here: n.Formula.ID == here, Retired: n.Formula.Retired, Children: treeNodes(n.Children, here, latest),
		}
		if n.Formula.Parent != nil {
			views[i].Why = n.Formula.Parent.Reason
		}
		if n.Formula.ID != here {
			views[i].Compare = compareHref(latest[n.Formula.ID], latest[here])
		}
	}
	return views
}

func besideCards(f formula.Formula, others []formula.Formula, latest map[int64]int64) []page.BesideCard {
	cards := []page.BesideCard{{Href: formulaHref(f.ID), Swatch: f.Swatch, Name: alternate(f), Meta: f.Years, Here: true}}
	for _, o := range others {
		if !o.Retired {
			cards = append(cards, page.BesideCard{
				Href: formulaHref(o.ID), Swatch: o.Swatch, Name: alternate(o), Meta: o.Years, Compare: compareHref(latest[f.ID], latest[o.ID]),
			})
		}
	}
	return cards
}

func alternate(f formula.Formula) string {
	if f.Alternate == "" {
		return "Standard"
	}
	return capital(f.Alternate)
}

func (s *server) fillBatches(r *http.Request, v *page.Formula, f formula.Formula) error {
	batches, err := s.Store.Batches(r.Context(), store.BatchFilter{FormulaID: f.ID, Limit: 8})
	if err != nil {
		return err
	}
	for _, b := range batches {
		v.Batches = append(v.Batches, page.FormulaBatch{
			Href: "/batch/" + url.PathEscape(b.ID), What: joined(", ", b.Job, b.Asked), When: s.day(b.StartedAt), State: batchState(b),
		})
	}
	return nil
}

// formulaRetire takes a formula out of the lists or puts it back.
func (s *server) formulaRetire(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r, "formula")
	if err != nil {
		return err
	}
	if err := r.ParseForm(); err != nil {
		return unreadable(err)
	}
	if err := s.Store.Retire(r.Context(), id, r.PostForm.Get("retired") == "yes"); err != nil {
		return err
	}
	http.Redirect(w, r, formulaHref(id), http.StatusSeeOther)
	return nil
}

// formulaExport writes one formula as CSV.
func (s *server) formulaExport(w http.ResponseWriter, r *http.Request) error {
	f, rev, err := s.formulaAt(r)
	if err != nil {
		return err
	}
	return s.sendCSV(w, "formula-"+strconv.FormatInt(f.ID, 10), func(b *bytes.Buffer) error {
		return formula.WriteCSV(b, []formula.Entry{{Formula: f, Lines: rev.Lines}})
	})
}

// unreadable is a form that cannot be taken apart: too large, cut off, or not a form.
func unreadable(err error) error {
	var tooBig *http.MaxBytesError
	switch {
	case errors.As(err, &tooBig):
		return err
	case errors.Is(err, multipart.ErrMessageTooLarge):
		return &fault{status: http.StatusRequestEntityTooLarge, sentence: "That is more than this page takes.", next: "Send less of it at a time.", cause: err}
	}
	return &fault{status: http.StatusUnprocessableEntity, sentence: "What was sent cannot be read as a form of this page.", next: "Go back and send it again.", cause: err}
}

// tooLong turns the refusal of a search that is too long into a request that was refused.
func tooLong(err error) error {
	if errors.Is(err, store.ErrInvalid) {
		return badRequest("%s", store.Sentence(err))
	}
	return err
}
