package web

import (
	"context"
	"net/http"
	"net/url"
	"strconv"

	"github.com/go-chi/chi/v5"

	"pourbook/internal/formula"
	"pourbook/internal/pour"
)

// variantForm asks for our own variant of a formula, filled with the revision it comes from.
func (s *server) variantForm(w http.ResponseWriter, r *http.Request) error {
	f, rev, err := s.formulaAt(r)
	if err != nil {
		return err
	}
	form, err := s.variantOf(r, f, rev)
	if err != nil {
		return err
	}
	return s.showEntry(w, r, http.StatusOK, s.variantKind(f, rev), form, entryProblems{})
}

func (s *server) variantSave(w http.ResponseWriter, r *http.Request) error {
	f, rev, err := s.formulaAt(r)
	if err != nil {
		return err
	}
	return s.saveEntry(w, r, s.variantKind(f, rev))
}

func (s *server) variantKind(f formula.Formula, rev formula.Revision) entryKind {
	return entryKind{
		heading: "Our variant of " + f.Title(), sub: "From revision " + strconv.Itoa(rev.Number) + ". The formula itself stays as it is.",
		action: withQuery(formulaHref(f.ID)+"/variant", "rev", strconv.FormatInt(rev.ID, 10)), cancel: formulaHref(f.ID),
		submit: "Keep our variant", names: true, lines: true, reason: true, system: f.System,
		keep: s.keepVariant(formula.Origin{FormulaID: f.ID, RevisionID: rev.ID}),
	}
}

// variantOf fills the form with what the variant comes from. Its alternate is one that the family has not used.
func (s *server) variantOf(r *http.Request, f formula.Formula, rev formula.Revision) (entryForm, error) {
	form := formOf(f, rev)
	form.values["note"] = ""
	for n := 1; n < 1000; n++ {
		f.Alternate = "ours"
		if n > 1 {
			f.Alternate += " " + strconv.Itoa(n)
		}
		taken, err := s.Store.Holds(r.Context(), f)
		if err != nil {
			return form, err
		}
		if !taken {
			break
		}
	}
	form.values["alternate"] = f.Alternate
	return form, nil
}

// batchVariantForm asks for a variant made of what was really poured into a cup.
func (s *server) batchVariantForm(w http.ResponseWriter, r *http.Request) error {
	kind, f, rev, err := s.batchVariant(r)
	if err != nil {
		return err
	}
	form, err := s.variantOf(r, f, rev)
	if err != nil {
		return err
	}
	return s.showEntry(w, r, http.StatusOK, kind, form, entryProblems{})
}

func (s *server) batchVariantSave(w http.ResponseWriter, r *http.Request) error {
	kind, _, _, err := s.batchVariant(r)
	if err != nil {
		return err
	}
	return s.saveEntry(w, r, kind)
}

// batchVariant returns the form for a batch, the formula it was of and a revision that holds what was poured.
func (s *server) batchVariant(r *http.Request) (entryKind, formula.Formula, formula.Revision, error) {
	var rev formula.Revision
	state, err := s.Store.State(r.Context(), chi.URLParam(r, "batch"))
	if err != nil {
		return entryKind{}, formula.Formula{}, rev, err
	}
	f, err := s.Store.Formula(r.Context(), state.Plan.FormulaID)
	if err != nil {
		return entryKind{}, f, rev, err
	}
	lines, err := s.pouredLines(r.Context(), state)
	if err != nil {
		return entryKind{}, f, rev, err
	}
	if len(lines) == 0 {
		return entryKind{}, f, rev, badRequest("Nothing has been poured into this cup yet, so there is nothing to keep as a variant.")
	}
	rev = formula.Revision{Lines: lines, Reduction: state.Plan.Reduction, PotLife: state.Plan.PotLife}
	return s.batchVariantKind(state, f), f, rev, nil
}

func (s *server) batchVariantKind(state pour.State, f formula.Formula) entryKind {
	href := "/batch/" + url.PathEscape(state.Batch)
	return entryKind{
		heading: "Keep this batch as our variant", sub: "As it was really poured, from " + state.Plan.Title + ", revision " + strconv.Itoa(state.Plan.Revision) + ".",
		action: href + "/variant", cancel: href, submit: "Keep our variant", names: true, lines: true, reason: true, system: f.System,
		keep: s.keepVariant(formula.Origin{FormulaID: f.ID, RevisionID: state.Plan.RevisionID, BatchID: state.Batch}),
	}
}

// keepVariant keeps a variant of the origin; why it was made is in what was typed.
func (s *server) keepVariant(origin formula.Origin) func(context.Context, formula.Formula, formula.Revision) (int64, error) {
	return func(ctx context.Context, f formula.Formula, rev formula.Revision) (int64, error) {
		origin.Reason = f.Parent.Reason
		f.Parent = &origin
		f, _, err := s.Store.CreateVariant(ctx, f, rev)
		return f.ID, err
	}
}
