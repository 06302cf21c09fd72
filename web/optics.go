package web

import (
	"fmt"
	"math"
	"net/http"
	"strings"

	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/pigment"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// opticsForm shows what light does in a toner, and takes other data.
func (s *server) opticsForm(w http.ResponseWriter, r *http.Request) error {
	t, err := s.tonerOf(r)
	if err != nil {
		return err
	}
	all, err := s.Store.Optics(r.Context(), t.ID)
	if err != nil {
		return err
	}
	values := map[string]string{}
	if o, ok := all[t.ID]; ok {
		values["data"], values["source"], values["invented"] = opticsText(o), o.Source, yesNo(o.Invented)
	}
	return s.showOptics(w, r, http.StatusOK, t, values, entryProblems{})
}

func (s *server) showOptics(w http.ResponseWriter, r *http.Request, status int, t formula.Toner, values map[string]string, p entryProblems) error {
	v := page.Optics{
		Chrome: s.shelfChrome(r, "Colour data of "+t.Name), Name: t.Name, Swatch: t.Swatch, Back: tonerHref(t.ID), Action: tonerHref(t.ID) + "/colour",
		Summary: summary(p), Invented: values["invented"] == "yes",
		Data: page.Input{
			Name: "data", Label: "K and S", Value: values["data"], Problem: p["data"], Rows: 10,
			Hint: "A line for each wavelength from 400 to 700 nm every 10 nm: nm, K, S, with spaces, tabs or semicolons between. Both of a gram, the white's S about 1.",
		},
		Source: page.Input{Name: "source", Label: "Where they are from", Hint: "Such as: drawdowns of 3 March, lot 114.", Value: values["source"], Problem: p["source"]},
	}
	all, err := s.Store.Optics(r.Context(), t.ID)
	if err != nil {
		return err
	}
	if o, ok := all[t.ID]; ok {
		if err := fillMasstone(&v, t, o); err != nil {
			return err
		}
	}
	return render(w, r, status, page.OpticsPage(v))
}

// fillMasstone shows the colour that a toner's data give for the toner alone, for a look at whether they can be right.
func fillMasstone(v *page.Optics, t formula.Toner, o store.Optics) error {
	p, err := pigment.NewPalette([]pigment.Pigment{{Name: t.Name, Grid: colour.Paint(), K: o.K, S: o.S}}, store.Surface())
	if err != nil {
		return err
	}
	spectrum, err := p.Predict([]float64{1}, pigment.Coat{})
	if err != nil {
		v.Masstone = "Alone it neither absorbs nor scatters."
		return nil
	}
	lab, err := spectrum.Lab(colour.D65, colour.TenDegrees)
	if err != nil {
		return err
	}
	v.MasstoneHex, _ = lab.Hex()
	v.Masstone = "Alone and hiding it is " + labWords(lab) + " by these data (D65, 10°)."
	spectra, err := spectraView("Predicted spectrum of "+t.Name+" alone", curve{name: "Alone, hiding", spectrum: spectrum})
	v.Spectra = &spectra
	return err
}

// opticsSave keeps the data of a toner.
func (s *server) opticsSave(w http.ResponseWriter, r *http.Request) error {
	t, err := s.tonerOf(r)
	if err != nil {
		return err
	}
	if err := r.ParseForm(); err != nil {
		return unreadable(err)
	}
	values, p := map[string]string{}, entryProblems{}
	for _, name := range []string{"data", "source", "invented"} {
		values[name] = validText(r.PostForm.Get(name))
	}
	o := store.Optics{TonerID: t.ID, Source: values["source"], Invented: values["invented"] == "yes"}
	if o.K, o.S, err = readOptics(values["data"]); err != nil {
		p.add("data", plain(err))
	}
	if len(p) == 0 {
		err = s.Store.SaveOptics(r.Context(), o)
		if err != nil && !p.takeError(err) {
			return err
		}
		for _, field := range []string{"k", "s"} { // both stand in one field here
			if p[field] != "" {
				p.add("data", p[field])
				delete(p, field)
			}
		}
	}
	if len(p) > 0 {
		return s.showOptics(w, r, http.StatusUnprocessableEntity, t, values, p)
	}
	http.Redirect(w, r, tonerHref(t.ID)+"/colour", http.StatusSeeOther)
	return nil
}

// readOptics reads a wavelength, K and S a line. Lines without three numbers at their beginning are headings, but only
// before the first that has.
func readOptics(text string) (k, s []float64, err error) {
	grid := colour.Paint()
	for n, line := range strings.Split(strings.ReplaceAll(text, "\r", "\n"), "\n") {
		fields := strings.FieldsFunc(line, func(r rune) bool { return r == ';' || r == '\t' || r == ' ' })
		if len(fields) == 0 || len(k) == 0 && !strings.ContainsAny(line, "0123456789") {
			continue
		}
		if len(fields) != 3 {
			return nil, nil, fmt.Errorf("line %d has %d figures. Give a wavelength, K and S", n+1, len(fields))
		}
		var row [3]float64
		for i, field := range fields {
			if row[i], err = formula.ParseNumber(field); err != nil {
				return nil, nil, fmt.Errorf("line %d: %s", n+1, strings.TrimSuffix(err.Error(), "."))
			}
		}
		if len(k) == grid.Count || math.Abs(row[0]-grid.Wavelength(len(k))) > 0.01 {
			return nil, nil, fmt.Errorf("line %d is for %g nm. The lines go from 400 to 700 nm every 10 nm", n+1, row[0])
		}
		k, s = append(k, row[1]), append(s, row[2])
	}
	if len(k) != grid.Count {
		return nil, nil, fmt.Errorf("there are %d wavelengths. Give all %d from 400 to 700 nm every 10 nm", len(k), grid.Count)
	}
	return k, s, nil
}

func opticsText(o store.Optics) string {
	var b strings.Builder
	grid := colour.Paint()
	for i := range o.K {
		fmt.Fprintf(&b, "%.0f;%s;%s\n", grid.Wavelength(i), decimal(o.K[i], -1), decimal(o.S[i], -1))
	}
	return b.String()
}
