package web

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"pourbook/internal/formula"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// mostShown is how many lines or formulas a preview shows; what is wrong is shown first of all.
const mostShown = 400

// sent is a file or a text that is to be imported.
type sent struct {
	data []byte
	take bool // it has been looked over and is to be taken
}

// readSent reads an import: the file where one was chosen, else the text.
func readSent(r *http.Request) (sent, error) {
	parse := r.ParseForm
	if isUpload(r) {
		parse = func() error { return r.ParseMultipartForm(uploadLimit) }
	}
	if err := parse(); err != nil {
		return sent{}, unreadable(err)
	}
	out := sent{data: []byte(r.PostForm.Get("text")), take: r.PostForm.Get("do") == "take"}
	file, _, err := r.FormFile("file")
	if err != nil {
		return out, nil // no file was chosen
	}
	defer file.Close()
	data, err := io.ReadAll(file)
	if err != nil {
		return out, unreadable(err)
	}
	if len(data) > 0 {
		out.data, out.take = data, false // a file that nobody has looked over yet
	}
	return out, nil
}

// textOf returns what was sent as text for the page: as it is, or from its lines where it was in another encoding.
func textOf(data []byte, lines []formula.SourceLine) string {
	text := strings.TrimPrefix(string(data), "\ufeff")
	if utf8.ValidString(text) && !strings.ContainsRune(text, 0) {
		return text
	}
	var b bytes.Buffer
	out := csv.NewWriter(&b)
	for _, l := range lines {
		_ = out.Write(l.Cells) // a buffer takes everything
	}
	out.Flush()
	return b.String()
}

func importLines(lines []formula.SourceLine) (shown []page.ImportLine, hidden int) {
	words := map[formula.Status]string{formula.Wrong: "wrong", formula.Noted: "note", formula.Skipped: "left out"}
	for _, l := range lines {
		if len(l.Says) == 0 || len(shown) >= mostShown {
			hidden++
			continue
		}
		shown = append(shown, page.ImportLine{Number: strconv.Itoa(l.Number), Text: strings.Join(l.Cells, "  "), Word: words[l.Status], Says: l.Says})
	}
	return shown, hidden
}

// seen makes the view of a preview that bookSeen and tonerSeen share.
func seen(source, decimal, separator string, lines []formula.SourceLine, problems formula.Problems, heading string) (*page.ImportSeen, string) {
	v := &page.ImportSeen{Heading: heading}
	mark := ""
	if decimal != "" {
		mark = "decimal " + decimal
	}
	if separator != "" {
		separator += " between the cells"
	}
	v.Sub = joined(", ", source, separator, mark)
	var hidden int
	v.Lines, hidden = importLines(lines)
	if hidden > 0 && len(v.Lines) > 0 {
		v.Hidden = "Nothing to say about the other " + counted(hidden, "line", "lines") + "."
	}
	whole := ""
	for _, p := range problems {
		if whole == "" && !slices.ContainsFunc(lines, func(l formula.SourceLine) bool { return l.Number == p.Line }) {
			whole = p.Error() // no line to stand beside
		}
	}
	if len(problems) > 0 {
		v.Heading = "Nothing is imported yet: " + counted(len(problems), "thing is", "things are") + " wrong"
	}
	return v, whole
}

// bookImport asks for a list of formulas.
func (s *server) bookImport(w http.ResponseWriter, r *http.Request) error {
	return render(w, r, http.StatusOK, page.ImportPage(s.bookImportView(r)))
}

func (s *server) bookImportView(r *http.Request) page.Import {
	return page.Import{
		Chrome: s.bookChrome(r, "Import formulas"), Heading: "Import formulas", Action: "/book/import", Cancel: "/book",
		Sub:     "One line for each toner of a formula, in pouring order. Everything is taken or nothing is.",
		Columns: "Columns: name, code, alternate, years, tags, system, coat, finish, basis, toner, amount. In any order; code, alternate, years, tags and basis may be missing.",
		Example: "name,system,coat,finish,toner,amount\nPistachio gate,Solvent base,base,solid,Chalk,640\nPistachio gate,Solvent base,base,solid,Verdigris,82.5",
	}
}

// bookImportSend looks a list over, and takes it where all of it is right and the person says so.
func (s *server) bookImportSend(w http.ResponseWriter, r *http.Request) error {
	got, err := readSent(r)
	if err != nil {
		return err
	}
	finder, err := s.tonerFinder(r.Context())
	if err != nil {
		return err
	}
	var failed error
	preview, err := formula.ReadCSV(bytes.NewReader(got.data), formula.Book{Toner: finder.find, Holds: func(f formula.Formula) bool {
		taken, err := s.Store.Holds(r.Context(), f)
		failed = errors.Join(failed, err)
		return taken
	}})
	if err := errors.Join(err, finder.err, failed); err != nil {
		return err
	}
	view := s.bookImportView(r)
	if got.take && preview.Ready() {
		err := s.takeFormulas(r.Context(), preview, visitorOf(r).Person)
		if err == nil {
			http.Redirect(w, r, "/book", http.StatusSeeOther)
			return nil
		}
		if !isRefusal(err) {
			return err
		}
		view.Problem = store.Sentence(err)
	}
	view.Text = textOf(got.data, preview.Lines)
	s.bookSeen(&view, preview)
	status := http.StatusOK
	if !preview.Ready() || view.Problem != "" {
		status = http.StatusUnprocessableEntity
	}
	return render(w, r, status, page.ImportPage(view))
}

// isRefusal says whether err is about what was sent, not about the book's file.
func isRefusal(err error) bool {
	var problems formula.Problems
	return errors.As(err, &problems) || errors.Is(err, store.ErrInvalid)
}

func (s *server) bookSeen(view *page.Import, p formula.Preview) {
	n := counted(len(p.Formulas), "formula", "formulas")
	var whole string
	view.Seen, whole = seen(p.Encoding, p.Decimal, p.Separator, p.Lines, p.Problems, capital(n)+", nothing wrong")
	if view.Problem == "" {
		view.Problem = whole
	}
	if !p.Ready() {
		return
	}
	view.Seen.Ready = "Import " + n
	for _, d := range p.Formulas[:min(len(p.Formulas), mostShown)] {
		masses, _ := columns(d.Lines)
		view.Seen.Items = append(view.Seen.Items, page.ImportItem{
			Title: d.Formula.Title(), Detail: joined(", ", d.Formula.Code, string(d.Formula.Coat), counted(len(d.Lines), "toner", "toners"), exactGrams(masses)(formula.Sum(d.Lines))+" g"),
		})
	}
	if more := len(p.Formulas) - len(view.Seen.Items); more > 0 {
		view.Seen.Items = append(view.Seen.Items, page.ImportItem{Title: fmt.Sprintf("and %d more", more)})
	}
}

func (s *server) takeFormulas(ctx context.Context, p formula.Preview, by string) error {
	entries := make([]store.NewEntry, len(p.Formulas))
	for i, d := range p.Formulas {
		entries[i] = store.NewEntry{Formula: d.Formula, Revisions: []formula.Revision{{Lines: d.Lines, By: by, Note: "Imported."}}}
	}
	_, err := s.Store.ImportFormulas(ctx, entries)
	return err
}

// shelfImport asks for a list of toners.
func (s *server) shelfImport(w http.ResponseWriter, r *http.Request) error {
	return render(w, r, http.StatusOK, page.ImportPage(s.shelfImportView(r)))
}

func (s *server) shelfImportView(r *http.Request) page.Import {
	return page.Import{
		Chrome: s.shelfChrome(r, "Import toners"), Heading: "Import toners", Action: "/shelf/import", Cancel: "/shelf",
		Sub:     "One line for each toner. A toner that is on the shelf already becomes what the list says.",
		Columns: "Columns: name, system, kind, strength, and where known: code, density, price per litre, swatch, hazard, sheet, wet first, stocked, replacement, factor.",
		Example: "name,code,system,kind,strength,density\nChalk,C1,Solvent base,solid,weak,1.42\nSoot,S4,Solvent base,solid,strong,1.02",
	}
}

// shelfImportSend looks a list of toners over, and takes it where all of it is right and the person says so.
func (s *server) shelfImportSend(w http.ResponseWriter, r *http.Request) error {
	got, err := readSent(r)
	if err != nil {
		return err
	}
	finder, err := s.tonerFinder(r.Context())
	if err != nil {
		return err
	}
	preview, err := formula.ReadTonersCSV(bytes.NewReader(got.data), finder.named)
	if err := errors.Join(err, finder.err); err != nil {
		return err
	}
	view := s.shelfImportView(r)
	if got.take && preview.Ready() {
		err := s.takeToners(r.Context(), preview)
		if err == nil {
			http.Redirect(w, r, "/shelf", http.StatusSeeOther)
			return nil
		}
		if !isRefusal(err) {
			return err
		}
		view.Problem = store.Sentence(err)
	}
	view.Text = textOf(got.data, preview.Lines)
	tonersSeen(&view, preview)
	status := http.StatusOK
	if !preview.Ready() || view.Problem != "" {
		status = http.StatusUnprocessableEntity
	}
	return render(w, r, status, page.ImportPage(view))
}

func tonersSeen(view *page.Import, p formula.TonerPreview) {
	n := counted(len(p.Toners), "toner", "toners")
	var whole string
	view.Seen, whole = seen(p.Encoding, p.Decimal, p.Separator, p.Lines, p.Problems, capital(n)+", nothing wrong")
	if view.Problem == "" {
		view.Problem = whole
	}
	if !p.Ready() {
		return
	}
	view.Seen.Ready = "Import " + n
	for _, d := range p.Toners[:min(len(p.Toners), mostShown)] {
		view.Seen.Items = append(view.Seen.Items, page.ImportItem{Swatch: d.Toner.Swatch, Title: d.Toner.Name, Detail: joined(", ", d.Toner.Code, string(d.Toner.Kind), string(d.Toner.System))})
	}
}

func (s *server) takeToners(ctx context.Context, p formula.TonerPreview) error {
	toners := make([]formula.Toner, len(p.Toners))
	for i, d := range p.Toners {
		toners[i] = d.Toner
	}
	return s.Store.ImportToners(ctx, toners)
}
