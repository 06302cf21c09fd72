package web

import (
	"bytes"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/go-chi/chi/v5"

	"pourbook/internal/formula"
	"pourbook/internal/store"
	"pourbook/static"
	"pourbook/web/page"
)

// bookRoutes lists the addresses of the Book and the Shelf, in the order of the screens.
func (s *server) bookRoutes(r chi.Router) {
	r.Get("/book", s.page(s.bookList))
	r.Get("/book/new", s.page(s.formulaNew))
	r.Post("/book/new", s.page(s.formulaCreate))
	r.Post("/book/check", s.page(s.entryCheck))
	r.Get("/book/import", s.page(s.bookImport))
	r.Post("/book/import", s.page(s.bookImportSend))
	r.Get("/book/export.csv", s.page(s.bookExport))
	r.Get("/formula/{formula}", s.page(s.formulaPage))
	r.Get("/formula/{formula}/revise", s.page(s.reviseForm))
	r.Post("/formula/{formula}/revise", s.page(s.reviseSave))
	r.Get("/formula/{formula}/variant", s.page(s.variantForm))
	r.Post("/formula/{formula}/variant", s.page(s.variantSave))
	r.Get("/formula/{formula}/edit", s.page(s.formulaEdit))
	r.Post("/formula/{formula}/edit", s.page(s.formulaEditSave))
	r.Get("/formula/{formula}/target", s.page(s.targetForm))
	r.Post("/formula/{formula}/target", s.page(s.targetSave))
	r.Post("/formula/{formula}/retire", s.page(s.formulaRetire))
	r.Get("/formula/{formula}/export.csv", s.page(s.formulaExport))
	r.Get("/batch/{batch}/variant", s.page(s.batchVariantForm))
	r.Post("/batch/{batch}/variant", s.page(s.batchVariantSave))
	r.Get("/compare", s.page(s.compare))

	r.Get("/shelf", s.page(s.shelf))
	r.Get("/shelf/complete", s.page(s.shelfComplete))
	r.Get("/shelf/import", s.page(s.shelfImport))
	r.Post("/shelf/import", s.page(s.shelfImportSend))
	r.Get("/shelf/export.csv", s.page(s.shelfExport))
	r.Get("/shelf/new", s.page(s.tonerNew))
	r.Post("/shelf/new", s.page(s.tonerSave))
	r.Get("/shelf/{toner}", s.page(s.tonerForm))
	r.Post("/shelf/{toner}", s.page(s.tonerSave))
	r.Get("/shelf/{toner}/colour", s.page(s.opticsForm))
	r.Post("/shelf/{toner}/colour", s.page(s.opticsSave))
}

// bookPage is how many formulas stand on one page of the list.
const bookPage = 40

func (s *server) bookChrome(r *http.Request, title string) page.Chrome {
	c := s.chrome(r, title, page.RoomBook)
	c.Scripts = append(c.Scripts, static.URL("js/book.js"))
	return c
}

// bookList shows the formulas that were searched for, or all.
func (s *server) bookList(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	asked := store.Query{
		Text: q.Get("q"), System: formula.System(q.Get("system")), Coat: formula.Coat(q.Get("coat")), Finish: formula.Finish(q.Get("finish")),
		Retired: q.Get("retired") != "", Limit: bookPage, Offset: pageOffset(q),
	}
	found, err := s.Store.Search(r.Context(), asked)
	if err != nil {
		return tooLong(err)
	}
	list := s.bookResults(found, asked, q)
	if q.Get("part") == "list" {
		return render(w, r, http.StatusOK, page.BookResults(list))
	}
	systems, err := s.Store.Systems(r.Context())
	if err != nil {
		return err
	}
	view := page.Book{
		Chrome: s.bookChrome(r, "Book"), Query: asked.Text, Retired: asked.Retired, List: list,
		System: pick("system", "Paint system", "All", string(asked.System), systems),
		Coat:   pick("coat", "Coat", "All", string(asked.Coat), formula.Coats),
		Finish: pick("finish", "Finish", "All", string(asked.Finish), formula.Finishes),
	}
	if len(list.Rows) == 0 && !list.Asked && asked.Offset == 0 {
		if view.Blank, err = s.noFormulas(r); err != nil {
			return err
		}
	}
	return render(w, r, http.StatusOK, page.BookPage(view))
}

func (s *server) noFormulas(r *http.Request) (bool, error) {
	all, err := s.Store.Search(r.Context(), store.Query{Retired: true, Limit: 1})
	return err == nil && all.Total == 0, err
}

// pageOffset returns how many rows come before the page that was asked for, 0 where the address does not say so.
func pageOffset(q url.Values) int {
	n, err := strconv.Atoi(q.Get("from"))
	if err != nil || n < 0 || n > 1_000_000 {
		return 0
	}
	return n
}

func (s *server) bookResults(found store.Page, asked store.Query, q url.Values) page.BookList {
	list := page.BookList{Asked: asked.Text != "" || asked.System != "" || asked.Coat != "" || asked.Finish != ""}
	for _, h := range found.Hits {
		list.Rows = append(list.Rows, s.bookRow(h))
	}
	list.Count = counted(found.Total, "formula", "formulas")
	if found.AtLeast {
		list.Count = "More than " + list.Count
	}
	if n := len(found.Hits); n > 0 && (found.More || asked.Offset > 0) {
		list.Count += fmt.Sprintf(", %d to %d shown", asked.Offset+1, asked.Offset+n)
	}
	if asked.Offset > 0 {
		list.Before = pageAddress("/book", q, max(asked.Offset-bookPage, 0))
	}
	if found.More {
		list.After = pageAddress("/book", q, asked.Offset+bookPage)
	}
	return list
}

func pageAddress(path string, q url.Values, from int) string {
	next := url.Values{}
	for name, values := range q {
		if name != "part" && name != "from" && values[0] != "" {
			next.Set(name, values[0])
		}
	}
	if from > 0 {
		next.Set("from", strconv.Itoa(from))
	}
	if len(next) == 0 {
		return path
	}
	return path + "?" + next.Encode()
}

func (s *server) bookRow(h store.Hit) page.BookRow {
	f := h.Formula
	row := page.BookRow{
		Href: formulaHref(f.ID), Swatch: f.Swatch, Title: f.Title(), Meta: joined(" · ", f.Code, f.Years),
		Layer: capital(string(f.Coat)) + ", " + string(f.Finish), System: string(f.System), Tags: f.Tags,
		Revision: "revision " + strconv.Itoa(h.Revision),
	}
	if h.Variants > 0 {
		row.Revision += ", " + counted(h.Variants, "variant", "variants")
	}
	switch {
	case f.Retired:
		row.Poured = "retired"
	case !h.PouredAt.IsZero():
		row.Poured = "poured " + s.day(h.PouredAt)
	default:
		row.Poured = "not poured yet"
	}
	return row
}

// bookExport writes the latest revision of every formula that is not retired as CSV.
func (s *server) bookExport(w http.ResponseWriter, r *http.Request) error {
	var entries []formula.Entry
	err := s.Store.ExportAll(r.Context(), func(f formula.Formula, rev formula.Revision) error {
		if f.Retired {
			return nil
		}
		e := formula.Entry{Formula: f, Lines: rev.Lines}
		if n := len(entries); n > 0 && entries[n-1].Formula.ID == f.ID {
			entries[n-1] = e // revisions come oldest first: the last is the one that counts
		} else {
			entries = append(entries, e)
		}
		return nil
	})
	if err != nil {
		return err
	}
	return s.sendCSV(w, "formulas", func(b *bytes.Buffer) error { return formula.WriteCSV(b, entries) })
}

func (s *server) sendCSV(w http.ResponseWriter, name string, write func(*bytes.Buffer) error) error {
	var b bytes.Buffer
	if err := write(&b); err != nil {
		return badRequest("%s", err)
	}
	h := w.Header()
	h.Set("Content-Type", "text/csv; charset=utf-8")
	h.Set("Content-Disposition", fmt.Sprintf(`attachment; filename="%s-%s.csv"`, name, s.Now().Format("2006-01-02")))
	_, err := b.WriteTo(w)
	return err
}

// Words and forms that the Book and the Shelf share.

func pick[T ~string](name, label, all, chosen string, values []T) page.Pick {
	p := page.Pick{Name: name, Label: label}
	if all != "" {
		p.Options = append(p.Options, page.PickOption{Label: all, Chosen: chosen == ""})
	}
	for _, v := range values {
		p.Options = append(p.Options, page.PickOption{Value: string(v), Label: capital(string(v)), Chosen: string(v) == chosen})
	}
	return p
}

func pathID(r *http.Request, name string) (int64, error) {
	id, err := strconv.ParseInt(chi.URLParam(r, name), 10, 64)
	if err != nil || id <= 0 {
		return 0, notFound(name)
	}
	return id, nil
}

func formulaHref(id int64) string { return "/formula/" + strconv.FormatInt(id, 10) }

func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

func capital(s string) string {
	first, size := utf8.DecodeRuneInString(s)
	if size == 0 {
		return s
	}
	return string(unicode.ToUpper(first)) + s[size:]
}

func joined(by string, parts ...string) string {
	var kept []string
	for _, p := range parts {
		if p != "" {
			kept = append(kept, p)
		}
	}
	return strings.Join(kept, by)
}

// day returns a date as the shop's own clock has it.
func (s *server) day(t time.Time) string {
	return t.In(s.Now().Location()).Format("2 Jan 2006")
}
