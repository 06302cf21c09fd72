package web

import (
	"bytes"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/go-chi/chi/v5"

	"pourbook/internal/formula"
	"pourbook/internal/store"
	"pourbook/static"
	"pourbook/web/page"
)

func tonerHref(id int64) string { return "/shelf/" + strconv.FormatInt(id, 10) }

func (s *server) shelfChrome(r *http.Request, title string) page.Chrome {
	c := s.chrome(r, title, page.RoomShelf)
	c.Scripts = append(c.Scripts, static.URL("js/book.js"))
	return c
}

// shelf lists the toners by paint system.
func (s *server) shelf(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	settings, err := s.Store.Settings(r.Context())
	if err != nil {
		return err
	}
	systems, err := s.Store.Systems(r.Context())
	if err != nil {
		return err
	}
	filter := store.TonerFilter{System: formula.System(q.Get("system")), Text: q.Get("q"), Stocked: q.Get("stocked") != ""}
	toners, err := s.Store.Toners(r.Context(), filter)
	if err != nil {
		return tooLong(err)
	}
	view := page.Shelf{
		Chrome: s.shelfChrome(r, "Shelf"), Query: filter.Text, Missing: !filter.Stocked, Blank: len(systems) == 0,
		System: pick("system", "Paint system", "All", string(filter.System), systems), Count: counted(len(toners), "toner", "toners"),
	}
	for _, t := range toners {
		n := len(view.Groups)
		if n == 0 || view.Groups[n-1].System != string(t.System) {
			view.Groups = append(view.Groups, page.ShelfGroup{System: string(t.System)})
			n++
		}
		view.Groups[n-1].Rows = append(view.Groups[n-1].Rows, shelfRow(t, settings.Currency))
	}
	if q.Get("part") == "list" {
		return render(w, r, http.StatusOK, page.ShelfResults(view))
	}
	return render(w, r, http.StatusOK, page.ShelfPage(view))
}

func shelfRow(t formula.Toner, currency string) page.ShelfRow {
	row := page.ShelfRow{
		Href: tonerHref(t.ID), Swatch: t.Swatch, Name: t.Name, Code: t.Code, Kind: capital(joined(", ", string(t.Kind), string(t.Strength))),
		State: capital(caution(t)), Gone: !t.Stocked || t.Replaced != nil,
	}
	if t.Density > 0 {
		row.Density = decimal(t.Density, -1) + " g/ml"
	}
	if t.PerLitre > 0 {
		row.Price = joined(" ", t.PerLitre.String(), currency) + " a litre"
	}
	return row
}

// completion is a toner that goes on from what was typed.
type completion struct {
	Name   string `json:"name"`
	Code   string `json:"code,omitempty"`
	Swatch string `json:"swatch,omitempty"`
	Says   string `json:"says,omitempty"`
}

// shelfComplete offers toners for what has been typed so far.
func (s *server) shelfComplete(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	toners, err := s.Store.CompleteToners(r.Context(), formula.System(q.Get("system")), q.Get("q"), 8)
	if err != nil {
		return tooLong(err)
	}
	out := make([]completion, len(toners))
	for i, t := range toners {
		out[i] = completion{t.Name, t.Code, t.Swatch, caution(t)}
	}
	writeJSON(w, http.StatusOK, out)
	return nil
}

// tonerFields are the fields of the form that hold one value each.
var tonerFields = []string{"name", "code", "system", "kind", "strength", "density", "price", "swatch", "hazard", "sheet", "by", "factor", "stocked", "wet_first"}

// tonerNew asks for a toner that is not on the shelf yet.
func (s *server) tonerNew(w http.ResponseWriter, r *http.Request) error {
	values := map[string]string{"kind": string(formula.Solid), "strength": string(formula.Medium), "stocked": "yes", "system": r.URL.Query().Get("system")}
	return s.showToner(w, r, http.StatusOK, formula.Toner{}, values, entryProblems{})
}

// tonerForm shows one toner, to be changed.
func (s *server) tonerForm(w http.ResponseWriter, r *http.Request) error {
	t, err := s.tonerOf(r)
	if err != nil {
		return err
	}
	return s.showToner(w, r, http.StatusOK, t, tonerValues(t), entryProblems{})
}

// tonerOf returns the toner of the address, an empty one for a new toner.
func (s *server) tonerOf(r *http.Request) (formula.Toner, error) {
	if chi.URLParam(r, "toner") == "" {
		return formula.Toner{}, nil
	}
	id, err := pathID(r, "toner")
	if err != nil {
		return formula.Toner{}, err
	}
	return s.Store.Toner(r.Context(), id)
}

func tonerValues(t formula.Toner) map[string]string {
	v := map[string]string{
		"name": t.Name, "code": t.Code, "system": string(t.System), "kind": string(t.Kind), "strength": string(t.Strength),
		"swatch": t.Swatch, "hazard": t.Hazard, "sheet": t.SheetURL,
	}
	if t.Density > 0 {
		v["density"] = decimal(t.Density, -1)
	}
	if t.PerLitre > 0 {
		v["price"] = t.PerLitre.String()
	}
	if t.Stocked {
		v["stocked"] = "yes"
	}
	if t.WetFirst {
		v["wet_first"] = "yes"
	}
	if t.Replaced != nil {
		v["by"], v["factor"] = t.Replaced.By, decimal(t.Replaced.Factor, -1)
	}
	return v
}

// tonerSave keeps a new or changed toner.
func (s *server) tonerSave(w http.ResponseWriter, r *http.Request) error {
	before, err := s.tonerOf(r)
	if err != nil {
		return err
	}
	if err := r.ParseForm(); err != nil {
		return unreadable(err)
	}
	values := map[string]string{}
	for _, name := range tonerFields {
		values[name] = validText(r.PostForm.Get(name))
	}
	problems := entryProblems{}
	t := readToner(values, problems)
	t.ID = before.ID
	if before.ID != 0 {
		t.System = before.System
	}
	if len(problems) == 0 {
		t, err = s.Store.SaveToner(r.Context(), t)
		if err != nil && !problems.takeTonerError(err) {
			return err
		}
	}
	if len(problems) > 0 {
		return s.showToner(w, r, http.StatusUnprocessableEntity, before, values, problems)
	}
	http.Redirect(w, r, "/shelf?"+url.Values{"q": {t.Name}, "system": {string(t.System)}}.Encode(), http.StatusSeeOther)
	return nil
}

// readToner reads a form by the rules by which a file of toners is read.
func readToner(values map[string]string, p entryProblems) formula.Toner {
	get := func(name string) string { return strings.TrimSpace(values[name]) }
	t := formula.Toner{
		Name: get("name"), Code: get("code"), System: formula.System(get("system")), Kind: formula.Kind(get("kind")), Strength: formula.Strength(get("strength")),
		Swatch: strings.ToLower(get("swatch")), Hazard: strings.ReplaceAll(get("hazard"), "\r\n", "\n"), SheetURL: get("sheet"),
		WetFirst: get("wet_first") != "", Stocked: get("stocked") != "",
	}
	for _, field := range []string{"name", "code", "system", "by"} {
		if wrong := wrongText(get(field), mostWords, false); wrong != "" {
			p.add(field, wrong)
		}
	}
	number := func(field string) float64 {
		if get(field) == "" {
			return 0
		}
		v, err := formula.ParseNumber(get(field))
		if err != nil {
			p.add(field, capital(err.Error()))
		} else if v <= 0 {
			p.add(field, "That is not above 0. Correct it or leave it empty.")
		}
		return v
	}
	t.Density = number("density")
	if get("price") != "" {
		price, err := formula.ParseMoney(get("price"))
		if err != nil {
			p.add("price", capital(err.Error()))
		}
		t.PerLitre = price
	}
	if get("by") != "" || get("factor") != "" {
		t.Replaced = &formula.Replacement{By: get("by"), Factor: 1}
		if get("factor") != "" {
			t.Replaced.Factor = number("factor")
		}
	}
	p.takeTonerError(formula.CheckToner(t))
	return t
}

// takeTonerError is takeError for the fields of a toner, which packages name by the columns of a file.
func (p entryProblems) takeTonerError(err error) bool {
	if err == nil {
		return false
	}
	own := entryProblems{}
	said := own.takeError(err)
	fields := map[string]string{"price per litre": "price", "replacement": "by", "replaced": "by"}
	for field, sentence := range own {
		if name, other := fields[field]; other {
			field = name
		}
		p.add(field, sentence)
	}
	return said
}

func (s *server) showToner(w http.ResponseWriter, r *http.Request, status int, t formula.Toner, values map[string]string, p entryProblems) error {
	systems, err := s.Store.Systems(r.Context())
	if err != nil {
		return err
	}
	settings, err := s.Store.Settings(r.Context())
	if err != nil {
		return err
	}
	input := func(name, label, unit string) page.Input {
		return page.Input{Name: name, Label: label, Value: values[name], Problem: p[name], Unit: unit, Numeric: unit != ""}
	}
	view := page.Toner{
		Heading: "New toner", Action: "/shelf/new", Summary: summary(p), Swatch: t.Swatch,
		Name: input("name", "Name", ""), Code: input("code", "Code", ""), System: input("system", "Paint system", ""),
		Kind: pick("kind", "Made of", "", values["kind"], formula.Kinds), Strength: pick("strength", "Strength", "", values["strength"], formula.Strengths),
		Density: input("density", "Density", "g/ml"), Price: input("price", "Price of a litre", settings.Currency), Tint: input("swatch", "Swatch, like #a0b1c2", ""),
		Hazard: input("hazard", "What it can do, and what to wear", ""), Sheet: input("sheet", "Safety data sheet: link or shelf place", ""),
		By: input("by", "Use this toner instead", ""), Factor: input("factor", "For each gram, grams of it", "g"),
		Stocked: values["stocked"] != "", WetFirst: values["wet_first"] != "",
	}
	if t.ID != 0 {
		view.Heading, view.Action, view.SystemFixed = t.Name, tonerHref(t.ID), string(t.System)
		view.ColourHref = tonerHref(t.ID) + "/colour"
		view.Sub = joined(", ", capital(string(t.Kind)), string(t.Strength), string(t.System), caution(t))
		if sheetIsLink(t.SheetURL) {
			view.SheetHref = t.SheetURL
		}
	}
	for _, system := range systems {
		view.Systems = append(view.Systems, string(system))
	}
	view.Chrome = s.shelfChrome(r, view.Heading)
	view.Scripts = append(view.Scripts, static.URL("js/entry.js"))
	view.Name.Required, view.Name.Focus, view.System.Required, view.System.List = true, t.ID == 0, true, "systems"
	view.Kind.Problem, view.Strength.Problem = p["kind"], p["strength"]
	view.Hazard.Rows = 3
	return render(w, r, status, page.TonerPage(view))
}

func sheetIsLink(s string) bool {
	return strings.HasPrefix(s, "https://") || strings.HasPrefix(s, "http://")
}

// shelfExport writes every toner as CSV.
func (s *server) shelfExport(w http.ResponseWriter, r *http.Request) error {
	toners, err := s.Store.Toners(r.Context(), store.TonerFilter{})
	if err != nil {
		return err
	}
	return s.sendCSV(w, "toners", func(b *bytes.Buffer) error { return formula.WriteTonersCSV(b, toners) })
}
