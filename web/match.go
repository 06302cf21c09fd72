package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"github.com/go-chi/chi/v5"

	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/people"
	"pourbook/internal/pigment"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// matchRoutes lists the addresses of matching: from a measured colour to formulas.
func (s *server) matchRoutes(r chi.Router) {
	r.Get("/match", s.page(s.matchForm))
	r.Post("/match", s.page(s.matchStart))
	r.Get("/match/{search}", s.page(s.matchFound))
	r.Post("/match/{search}/stop", s.page(s.matchStop))
	r.Get("/match/{search}/keep", s.page(s.matchKeep))
}

// How a new formula is looked for. Common practice, no source.
const (
	matchAmount   = 1000 * gram.Gram
	matchDivision = 100 * gram.Milligram
	matchBest     = 3
	matchClosest  = 8
	matchPoor     = 2.0                    // ΔE00 beyond which a further way is not worth showing
	matchTicks    = 150 * time.Millisecond // between two words of a stream
)

// matchForm asks for a colour. A card or a formula in the address fills in its spectrum.
func (s *server) matchForm(w http.ResponseWriter, r *http.Request) error {
	form := cardForm{values: map[string]string{}}
	q := r.URL.Query()
	form.values["system"] = q.Get("system")
	if id, err := strconv.ParseInt(q.Get("card"), 10, 64); err == nil {
		c, err := s.Store.Card(r.Context(), id)
		if err != nil {
			return err
		}
		if err := s.fillMatch(r.Context(), form, c.Spectrum, c.FormulaID); err != nil {
			return err
		}
		if m, ok := c.Main(); ok && c.Spectrum == nil {
			fillFigures(form, m.Lab)
		}
	}
	if id, err := strconv.ParseInt(q.Get("formula"), 10, 64); err == nil {
		f, err := s.Store.Formula(r.Context(), id)
		if err != nil {
			return err
		}
		target, err := s.targetOf(r.Context(), id)
		if err != nil {
			return err
		}
		var curve *card.Curve
		if target != nil {
			curve = &target.Curve
		} else if f.Target != nil {
			fillFigures(form, *f.Target)
		}
		if err := s.fillMatch(r.Context(), form, curve, id); err != nil {
			return err
		}
	}
	return s.showMatch(w, r, http.StatusOK, form, entryProblems{})
}

func (s *server) fillMatch(ctx context.Context, form cardForm, c *card.Curve, formulaID int64) error {
	if c != nil {
		form.values["spectrum"], form.values["spectrum_at"] = c.Text(), c.Geometry
	}
	f, err := s.Store.Formula(ctx, formulaID)
	form.values["system"] = string(f.System)
	return err
}

func fillFigures(form cardForm, lab colour.Lab) {
	for name, v := range map[string]float64{"lab_l": lab.L, "lab_a": lab.A, "lab_b": lab.B} {
		form.values[name] = decimal(v, 2)
	}
}

var matchFigures = []struct{ name, label string }{{"lab_l", "L*"}, {"lab_a", "a*"}, {"lab_b", "b*"}}

func (s *server) showMatch(w http.ResponseWriter, r *http.Request, status int, form cardForm, problems entryProblems) error {
	systems, err := s.Store.Systems(r.Context())
	if err != nil {
		return err
	}
	v := page.Match{Chrome: s.matchChrome(r, "Match a colour"), Summary: summary(problems)}
	v.Spectrum, v.SpectrumAs, v.SpectrumAt = spectrumInputs(form, problems["spectrum"])
	for _, f := range matchFigures {
		v.Figures = append(v.Figures, page.Input{Name: f.name, Label: f.label, Value: form.values[f.name], Problem: problems[f.name]})
	}
	v.System = page.Pick{Name: "system", Label: "Paint system", Problem: problems["system"]}
	for _, system := range systems {
		v.System.Options = append(v.System.Options, page.PickOption{Value: string(system), Label: string(system), Chosen: string(system) == form.values["system"]})
	}
	v.Most = page.Pick{Name: "most", Label: "Toners in a new formula, at most", Problem: problems["most"]}
	chosen := form.values["most"]
	for _, n := range []string{"2", "3", "4", "5"} {
		v.Most.Options = append(v.Most.Options, page.PickOption{Value: n, Label: n, Chosen: n == chosen || chosen == "" && n == "4"})
	}
	return render(w, r, status, page.MatchPage(v))
}

func (s *server) matchChrome(r *http.Request, title string) page.Chrome {
	c := s.chrome(r, title, page.RoomBook)
	c.Scripts = append(c.Scripts, assetURL("js/match.js"))
	return c
}

// matchStart takes a colour and begins to look.
func (s *server) matchStart(w http.ResponseWriter, r *http.Request) error {
	form, _, err := readSpectrum(r)
	if err != nil {
		return err
	}
	for _, name := range []string{"system", "most", "lab_l", "lab_a", "lab_b"} {
		form.values[name] = validText(r.Form.Get(name))
	}
	problems := entryProblems{}
	j := s.searchOf(form, problems)
	if j.system, err = s.knownSystem(r.Context(), form.get("system"), problems); err != nil {
		return err
	}
	if len(problems) > 0 {
		return s.showMatch(w, r, http.StatusUnprocessableEntity, form, problems)
	}
	if err := s.prepare(r.Context(), j); err != nil {
		return err
	}
	if err := s.searches.add(j); err != nil {
		return err
	}
	if j.palette == nil || j.curve == nil {
		close(j.finished)
	} else {
		ask, err := j.ask()
		if err != nil {
			close(j.finished)
			return err
		}
		go j.run(ask, s.Done)
	}
	http.Redirect(w, r, "/match/"+j.id, http.StatusSeeOther)
	return nil
}

// searchOf reads the colour that is looked for. What is wrong goes into problems.
func (s *server) searchOf(form cardForm, problems entryProblems) *search {
	j := &search{started: s.Now(), curve: form.curve(nil, problems)}
	n, err := strconv.Atoi(form.get("most"))
	if form.get("most") != "" && (err != nil || n < 2 || n > 5) {
		problems.add("most", "Choose how many toners a formula may have.")
	}
	if j.most = n; n == 0 {
		j.most = 4
	}
	if j.curve != nil {
		main, err := j.curve.Main()
		if err != nil {
			problems.add("spectrum", plain(err))
		}
		j.target = main.Lab
		return j
	}
	typed := 0
	to := []*float64{&j.target.L, &j.target.A, &j.target.B}
	for i, f := range matchFigures {
		if form.get(f.name) == "" {
			continue
		}
		typed++
		if *to[i], err = formula.ParseNumber(form.get(f.name)); err != nil {
			problems.add(f.name, plain(err))
		}
	}
	switch {
	case typed == 0 && problems["spectrum"] == "":
		problems.add("spectrum", "There is no colour to look for. Paste a spectrum, or give L*, a* and b*.")
	case typed > 0 && typed < 3:
		problems.add("lab_l", "A colour needs all three figures.")
	case typed == 3 && len(problems) == 0:
		if err := j.target.Valid(); err != nil {
			problems.add("lab_l", plain(err))
		}
	}
	return j
}

func (s *server) knownSystem(ctx context.Context, name string, problems entryProblems) (formula.System, error) {
	systems, err := s.Store.Systems(ctx)
	for _, system := range systems {
		if string(system) == name {
			return system, err
		}
	}
	problems.add("system", "Choose the paint system. Systems never meet in one cup.")
	return "", err
}

// prepare finds the toners of the shelf that a new formula may be made of: solids of the system with colour data.
func (s *server) prepare(ctx context.Context, j *search) error {
	var err error
	if j.toners, err = s.colourShelf(ctx, j.system); err != nil {
		return err
	}
	j.palette, _, err = s.Store.Palette(ctx, j.toners)
	return err
}

// colourShelf returns the solid toners of a system that are on the shelf, not superseded, and have colour data.
func (s *server) colourShelf(ctx context.Context, system formula.System) ([]formula.Toner, error) {
	shelf, err := s.Store.Toners(ctx, store.TonerFilter{System: system, Kind: formula.Solid, Stocked: true})
	if err != nil {
		return nil, err
	}
	ids := make([]int64, len(shelf))
	for i, t := range shelf {
		ids[i] = t.ID
	}
	known, err := s.Store.Optics(ctx, ids...)
	return slices.DeleteFunc(shelf, func(t formula.Toner) bool {
		_, has := known[t.ID]
		return !has || t.Replaced != nil
	}), err
}

func (j *search) ask() (pigment.MatchAsk, error) {
	target, err := j.curve.Spectrum()
	ask := pigment.MatchAsk{
		Target: target, Lights: store.Lights(), Observer: colour.TenDegrees, MostToners: min(j.most, len(j.toners)), Amount: matchAmount, Division: matchDivision, Best: matchBest,
	}
	for _, t := range j.toners {
		if t.PerLitre <= 0 || t.Density <= 0 {
			return ask, err // without every price cost says nothing
		}
	}
	for _, t := range j.toners {
		ask.Price = append(ask.Price, float64(t.Cost(1000*gram.Gram)))
	}
	return ask, err
}

func (s *server) searchAt(r *http.Request) (*search, error) {
	j, ok := s.searches.find(chi.URLParam(r, "search"))
	if !ok {
		return nil, &fault{status: http.StatusNotFound, sentence: "That search is not held any more.", next: "Searches are forgotten after a while. Match the colour again."}
	}
	return j, nil
}

// matchFound shows a search: its progress while it runs, and what it found.
func (s *server) matchFound(w http.ResponseWriter, r *http.Request) error {
	j, err := s.searchAt(r)
	if err != nil {
		return err
	}
	v := page.MatchFound{
		Chrome: s.matchChrome(r, "Match a colour"), Heading: "Matching " + labWords(j.target), Sub: string(j.system) + ".",
		Running: j.running(), Stream: "/match/" + j.id + "/stream", Stop: "/match/" + j.id + "/stop",
		MayKeep: visitorOf(r).Role.May(people.Owner),
	}
	v.Hex, _ = j.target.Hex()
	v.Done, v.Total = int(j.done.Load()), int(j.total.Load())
	v.Progress = progressWords(v.Done, v.Total)
	if err := s.fillClosest(r.Context(), j, &v); err != nil {
		return err
	}
	switch {
	case v.Running:
		v.NewNote = "Still looking."
	case j.palette == nil:
		v.NewNote = "No toner of " + string(j.system) + " on the shelf has colour data, so nothing new can be computed."
	case j.curve == nil:
		v.NewNote = "A new formula needs the spectrum: figures alone match under one lamp and part under the next."
	case j.stopped():
		v.NewNote = "The search was stopped before it was done. Nothing came of it."
	case j.err != nil:
		v.NewNote = plain(j.err)
	}
	if !v.Running && len(j.found) > 0 {
		for i, m := range j.found {
			if i > 0 && m.Worst > matchPoor {
				break // they come in order
			}
			v.New = append(v.New, j.newView(i, m))
		}
		if v.Sources = "Computed from colour data: " + listed(j.palette.Sources) + "."; j.palette.Invented {
			v.Sources += " Invented data say nothing of real paint."
		}
		v.Sources += " Solids alone, without binder, and hiding."
	}
	return render(w, r, http.StatusOK, page.MatchFoundPage(v))
}

func progressWords(done, total int) string {
	if total == 0 {
		return "The search is about to begin."
	}
	return fmt.Sprintf("%d of %d sets of toners tried.", done, total)
}

func (j *search) newView(i int, m pigment.Match) page.MatchNew {
	v := page.MatchNew{Title: fmt.Sprintf("Way %d: %s", i+1, seenBy(m.Worst)), Lamps: lampWordsOf(m.DeltaE), KeepRef: "/match/" + j.id + "/keep?way=" + strconv.Itoa(i+1)}
	for k, mass := range m.Parts {
		if mass > 0 {
			v.Parts = append(v.Parts, page.TintAdd{Name: j.toners[k].Name, Grams: mass.Show(matchDivision)})
		}
	}
	v.Metamerism = "Metamerism " + decimal(m.Metamerism, 2) + ": what would stay under another lamp if it matched by day."
	if m.Cost > 0 {
		v.Cost = "Toners for " + money(formula.Money(m.Cost+0.5)) + "."
	}
	return v
}

// fillClosest finds the formulas of the book that come closest by ΔE00.
func (s *server) fillClosest(ctx context.Context, j *search, v *page.MatchFound) error {
	all, err := s.Store.Colours(ctx, j.system)
	if err != nil {
		return err
	}
	labs := make([]colour.Lab, len(all))
	for i, c := range all {
		labs[i] = c.Lab
	}
	if len(all) == 0 {
		v.ClosestNote = "No formula of " + string(j.system) + " has a colour to compare with."
		return nil
	}
	swatches, err := pigment.NewSwatches(labs)
	if err != nil {
		return err
	}
	near, err := swatches.Closest(j.target, matchClosest)
	if err != nil {
		return badRequest("%s", plain(err))
	}
	v.ClosestNote = "Under D65. A swatch is an impression only: spray a card before you trust it."
	for _, n := range near {
		f, err := s.Store.Formula(ctx, all[n.At].FormulaID)
		if err != nil {
			return err
		}
		row := page.MatchBook{Href: formulaHref(f.ID), Title: joined(", ", f.Title(), string(f.Coat)), Swatch: f.Swatch, DeltaE: decimal(n.DeltaE, 2), Word: seenBy(n.DeltaE), Of: "its swatch"}
		if all[n.At].Measured {
			row.Of = "its measured target"
		}
		v.Closest = append(v.Closest, row)
	}
	return nil
}

// matchStop ends a search.
func (s *server) matchStop(w http.ResponseWriter, r *http.Request) error {
	j, err := s.searchAt(r)
	if err != nil {
		return err
	}
	j.stop.Store(true)
	select { // it looks up a few hundred sets later
	case <-j.finished:
	case <-time.After(2 * time.Second):
	case <-r.Context().Done():
	}
	http.Redirect(w, r, "/match/"+url.PathEscape(j.id), http.StatusSeeOther)
	return nil
}

// matchStream tells one screen how far a search is, and when it is done.
func (s *server) matchStream(w http.ResponseWriter, r *http.Request) error {
	j, err := s.searchAt(r)
	if err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	out := &events{w: w, control: http.NewResponseController(w)}
	tick := time.NewTicker(matchTicks)
	defer tick.Stop()
	for {
		done, total := int(j.done.Load()), int(j.total.Load())
		data, err := json.Marshal(map[string]any{"done": done, "total": total, "words": progressWords(done, total)})
		if err != nil {
			return err
		}
		if out.send("progress", "", data) != nil {
			return nil // the screen went away
		}
		select {
		case <-j.finished:
			_ = out.send("done", "", []byte("{}")) // it fails where the screen went away
			return nil
		case <-r.Context().Done():
			return nil
		case <-s.Done:
			return nil
		case <-tick.C:
		}
	}
}

// matchKeep opens the form of a new formula with what was found. Nothing is kept until it is named and sent.
func (s *server) matchKeep(w http.ResponseWriter, r *http.Request) error {
	j, err := s.searchAt(r)
	if err != nil {
		return err
	}
	n, err := strconv.Atoi(r.URL.Query().Get("way"))
	if err != nil || j.running() || n < 1 || n > len(j.found) {
		return notFound("way")
	}
	m := j.found[n-1]
	form := entryForm{values: map[string]string{
		"basis": string(formula.Weights), "coat": string(formula.Base), "finish": string(formula.FinishSolid), "system": string(j.system),
		"notes": "Computed for " + labWords(j.target) + " (D65, 10°): ΔE00 " + decimal(m.Worst, 2) + " predicted under the worst lamp. Not sprayed yet.",
	}}
	form.values["swatch"], _ = j.target.Hex()
	for k, mass := range m.Parts {
		if mass > 0 {
			form.rows = append(form.rows, formula.Row{Toner: j.toners[k].Name, Amount: mass.Show(matchDivision)})
		}
	}
	return s.showEntry(w, r, http.StatusOK, s.newKind(), form, entryProblems{})
}
