package web

import (
	"math"
	"net/http"
	"slices"
	"strconv"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/web/page"
)

// side is one of two revisions that are compared.
type side struct {
	formula  formula.Formula
	revision formula.Revision
}

func (s *server) side(r *http.Request, name string) (side, error) {
	id, err := strconv.ParseInt(r.URL.Query().Get(name), 10, 64)
	if err != nil {
		return side{}, badRequest("Say which two revisions are to be compared.")
	}
	rev, err := s.Store.Revision(r.Context(), id)
	if err != nil {
		return side{}, err
	}
	f, err := s.Store.Formula(r.Context(), rev.FormulaID)
	return side{f, rev}, err
}

// compare sets two revisions side by side, both for the amount of the first.
func (s *server) compare(w http.ResponseWriter, r *http.Request) error {
	a, err := s.side(r, "a")
	if err != nil {
		return err
	}
	b, err := s.side(r, "b")
	if err != nil {
		return err
	}
	rows, differing, err := compareRows(a.revision, b.revision)
	if err != nil {
		return err
	}
	view := page.Compare{
		Chrome: s.bookChrome(r, "Compare"), A: s.compareSide(a), B: s.compareSide(b),
		Verdict: verdict(differing), Rows: rows, Amount: "Both for " + a.revision.Total.Show(100) + " g, so that the grams can be compared.",
	}
	if view.PickA, view.PickB, err = s.comparePicks(r, a, b); err != nil {
		return err
	}
	return render(w, r, http.StatusOK, page.ComparePage(view))
}

func verdict(differing int) string {
	switch differing {
	case 0:
		return "The two are the same"
	case 1:
		return "One toner differs"
	}
	return strconv.Itoa(differing) + " toners differ"
}

func (s *server) compareSide(x side) page.CompareSide {
	return page.CompareSide{
		Href: formulaHref(x.formula.ID) + "?rev=" + strconv.FormatInt(x.revision.ID, 10), Title: x.formula.Title(), Swatch: x.formula.Swatch,
		Name: "Revision " + strconv.Itoa(x.revision.Number) + ", " + s.day(x.revision.At), Meta: joined(" · ", x.formula.Code, x.formula.Years),
	}
}

func compareRows(a, b formula.Revision) ([]page.CompareRow, int, error) {
	masses, _ := columns(b.Lines)
	resized, err := gram.Resize(masses, a.Total)
	if err != nil {
		return nil, 0, err
	}
	for i := range b.Lines {
		b.Lines[i].Mass = resized[i]
	}
	own, _ := columns(a.Lines)
	show := exactGrams(slices.Concat(own, resized))
	if b.Total != a.Total {
		show = func(m gram.Mass) string { return m.Show(10) }
	}
	all := formula.Compare(a, b)
	widest := 0.0
	for _, d := range all {
		widest = max(widest, d.BeforePercent, d.AfterPercent)
	}
	differing := 0
	rows := make([]page.CompareRow, len(all))
	for i, d := range all {
		rows[i] = page.CompareRow{
			Swatch: d.Toner.Swatch, Name: d.Toner.Name,
			GramsA: grams(d.Before, show), GramsB: grams(d.After, show), ShareA: percent(d.BeforePercent), ShareB: percent(d.AfterPercent),
			WidthA: decimal(100*d.BeforePercent/widest, 2), WidthB: decimal(100*d.AfterPercent/widest, 2),
		}
		rows[i].Change, rows[i].Same = change(d)
		if !rows[i].Same {
			differing++
		}
	}
	return rows, differing, nil
}

func grams(m gram.Mass, show func(gram.Mass) string) string {
	if m == 0 {
		return "–"
	}
	return show(m)
}

func percent(v float64) string {
	if v == 0 {
		return "–"
	}
	return decimal(v, 2)
}

// change says what became of a toner, by its own share.
func change(d formula.Difference) (words string, same bool) {
	relative := decimal(100*math.Abs(d.Relative), 1) + " % "
	switch d.Change {
	case formula.Added:
		return "new", false
	case formula.Removed:
		return "none", false
	case formula.More:
		return relative + "more", false
	case formula.Less:
		return relative + "less", false
	}
	return "the same", true
}

// comparePicks offers the revisions of both formulas, their families and alternates.
func (s *server) comparePicks(r *http.Request, a, b side) (page.Pick, page.Pick, error) {
	first := page.Pick{Name: "a", Label: "A"}
	second := page.Pick{Name: "b", Label: "B"}
	seen := map[int64]bool{}
	for _, x := range []side{a, b} {
		family, err := s.Store.Family(r.Context(), x.formula.ID)
		if err != nil {
			return first, second, err
		}
		beside, err := s.Store.Alternates(r.Context(), x.formula)
		if err != nil {
			return first, second, err
		}
		for _, f := range append(family, beside...) {
			if seen[f.ID] {
				continue
			}
			seen[f.ID] = true
			revisions, err := s.Store.Revisions(r.Context(), f.ID)
			if err != nil {
				return first, second, err
			}
			for _, rev := range revisions {
				o := page.PickOption{Value: strconv.FormatInt(rev.ID, 10), Label: f.Title() + ", revision " + strconv.Itoa(rev.Number)}
				o.Chosen = rev.ID == a.revision.ID
				first.Options = append(first.Options, o)
				o.Chosen = rev.ID == b.revision.ID
				second.Options = append(second.Options, o)
			}
		}
	}
	return first, second, nil
}
