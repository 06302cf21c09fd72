package web

import (
	"net/http"
	"strings"

	"pourbook/internal/card"
	"pourbook/internal/formula"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// targetForm shows the measured colour that a formula is to hit, and takes another.
func (s *server) targetForm(w http.ResponseWriter, r *http.Request) error {
	id, f, err := s.targetFormula(r)
	if err != nil {
		return err
	}
	form := cardForm{values: map[string]string{}}
	target, err := s.targetOf(r.Context(), id)
	if err != nil {
		return err
	}
	source := ""
	if target != nil {
		form.values["spectrum"], form.values["spectrum_at"], source = target.Curve.Text(), target.Curve.Geometry, target.Source
	}
	return s.showTarget(w, r, http.StatusOK, f, form, source, target, entryProblems{})
}

func (s *server) targetFormula(r *http.Request) (int64, formula.Formula, error) {
	id, err := pathID(r, "formula")
	if err != nil {
		return 0, formula.Formula{}, notFound("formula")
	}
	f, err := s.Store.Formula(r.Context(), id)
	return id, f, err
}

func (s *server) showTarget(w http.ResponseWriter, r *http.Request, status int, f formula.Formula, form cardForm, source string, kept *store.FormulaSpectrum, problems entryProblems) error {
	v := page.Target{
		Chrome: s.bookChrome(r, "Target of "+f.Title()), Title: f.Title(), Back: formulaHref(f.ID), Action: formulaHref(f.ID) + "/target", Summary: summary(problems),
		Source: page.Input{Name: "source", Label: "What was measured", Hint: "Such as: left door, under the strip, polished.", Value: source, Problem: problems["source"]},
	}
	v.Spectrum, v.SpectrumAs, v.SpectrumAt = spectrumInputs(form, problems["spectrum"])
	if kept != nil {
		spectrum, err := kept.Curve.Spectrum()
		if err != nil {
			return err
		}
		spectra, err := spectraView("Spectrum of the target", curve{name: "Target", spectrum: spectrum})
		if err != nil {
			return err
		}
		spectra.Note = joined(" ", "Kept "+s.day(kept.At)+".", kept.Source)
		v.Spectra = &spectra
	}
	return render(w, r, status, page.TargetPage(v))
}

// targetSave keeps the measured colour of a formula; its figures follow from it.
func (s *server) targetSave(w http.ResponseWriter, r *http.Request) error {
	id, f, err := s.targetFormula(r)
	if err != nil {
		return err
	}
	form, source, err := readSpectrum(r)
	if err != nil {
		return err
	}
	kept, err := s.targetOf(r.Context(), id)
	if err != nil {
		return err
	}
	problems := entryProblems{}
	var had *card.Curve
	if kept != nil {
		had = &kept.Curve
	}
	c := form.curve(had, problems)
	if c == nil && len(problems) == 0 {
		problems.add("spectrum", "There is no spectrum. Paste one, or choose its file.")
	}
	if len(problems) == 0 {
		err = s.Store.SaveFormulaSpectrum(r.Context(), id, store.FormulaSpectrum{Curve: *c, Source: source, By: visitorOf(r).Person})
		if err != nil && !problems.takeError(err) {
			return err
		}
	}
	if len(problems) > 0 {
		return s.showTarget(w, r, http.StatusUnprocessableEntity, f, form, source, kept, problems)
	}
	http.Redirect(w, r, formulaHref(id)+"/target", http.StatusSeeOther)
	return nil
}

// readSpectrum reads a form that holds a spectrum, as an upload or plainly.
func readSpectrum(r *http.Request) (form cardForm, source string, err error) {
	if err = r.ParseForm(); err == nil && isUpload(r) {
		err = r.ParseMultipartForm(photoMemory)
	}
	if err != nil {
		return form, "", unreadable(err)
	}
	form.values = map[string]string{}
	for _, name := range []string{"spectrum", "spectrum_as", "spectrum_at", "source"} {
		form.values[name] = validText(r.Form.Get(name))
	}
	return form, strings.TrimSpace(form.values["source"]), form.takeSpectrumFile(r)
}
