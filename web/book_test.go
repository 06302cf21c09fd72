package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html"
	"io"
	"log/slog"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/store"
)

// bookShop is the program over a real file, without a scale.
type bookShop struct {
	t       *testing.T
	store   *store.Store
	handler http.Handler
}

var shopTime = time.Date(2026, 3, 12, 9, 30, 0, 0, time.UTC)

func openShop(t *testing.T) *bookShop {
	t.Helper()
	now := func() time.Time { return shopTime }
	book, err := store.Open(filepath.Join(t.TempDir(), "book.db"), store.WithClock(now))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, book.Close()) })
	return &bookShop{t, book, New(Config{Store: book, Now: now, Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Hosts: []string{"example.com"}})}
}

// stocked is a shop with the toners of two paint systems. Names, densities and prices are invented.
func stocked(t *testing.T) *bookShop {
	s := openShop(t)
	for _, toner := range []formula.Toner{
		{Name: "Chalk", Code: "C-1", System: "Solvent base", Kind: formula.Solid, Strength: formula.Weak, Density: 1.5, PerLitre: 4200, Swatch: "#e8e6de", Stocked: true},
		{Name: "Verdigris", Code: "V-3", System: "Solvent base", Kind: formula.Solid, Strength: formula.Medium, Density: 1.0, PerLitre: 6100, Swatch: "#3f7f74", Stocked: true},
		{Name: "Soot", Code: "S-9", System: "Solvent base", Kind: formula.Solid, Strength: formula.Strong, Density: 1.0, PerLitre: 5100, Swatch: "#1c1c1e", Stocked: true},
		{Name: "Quick hardener", System: "Solvent base", Kind: formula.Hardener, Strength: formula.Weak, Density: 1.05, Stocked: true},
		{Name: "Mist", Code: "M-1", System: "Water base", Kind: formula.Solid, Strength: formula.Weak, Density: 1.1, Stocked: true},
	} {
		_, err := s.store.SaveToner(t.Context(), toner)
		require.NoError(t, err)
	}
	return s
}

type reply struct {
	*httptest.ResponseRecorder
	page string
}

// says returns the text of the page without its markup, for looking for sentences.
func (r reply) says() string {
	text := regexp.MustCompile(`<[^>]*>`).ReplaceAllString(r.page, " ")
	return strings.Join(strings.Fields(html.UnescapeString(text)), " ")
}

func (s *bookShop) do(req *http.Request) reply {
	s.t.Helper()
	w := httptest.NewRecorder()
	s.handler.ServeHTTP(w, req)
	return reply{w, w.Body.String()}
}

func (s *bookShop) get(path string) reply {
	s.t.Helper()
	return s.do(httptest.NewRequest(http.MethodGet, path, nil))
}

func (s *bookShop) post(path string, form url.Values) reply {
	s.t.Helper()
	req := httptest.NewRequest(http.MethodPost, path, strings.NewReader(form.Encode()))
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return s.do(req)
}

func (s *bookShop) upload(path, do, text string, file []byte) reply {
	s.t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	require.NoError(s.t, w.WriteField("do", do))
	require.NoError(s.t, w.WriteField("text", text))
	if file != nil {
		part, err := w.CreateFormFile("file", "list.csv")
		require.NoError(s.t, err)
		_, err = part.Write(file)
		require.NoError(s.t, err)
	}
	require.NoError(s.t, w.Close())
	req := httptest.NewRequest(http.MethodPost, path, &b)
	req.Header.Set("Content-Type", w.FormDataContentType())
	return s.do(req)
}

// typed is a formula as a person types it: name, system and pairs of toner and amount.
func typed(name string, pairs ...string) url.Values {
	form := url.Values{
		"name": {name}, "system": {"Solvent base"}, "coat": {"base"}, "finish": {"solid"}, "basis": {"weights"}, "do": {"keep"},
		"reduce_by": {"volume"},
	}
	for i := 0; i+1 < len(pairs); i += 2 {
		form.Add("toner", pairs[i])
		form.Add("amount", pairs[i+1])
	}
	for range 8 { // the lines that were left empty
		form.Add("toner", "")
		form.Add("amount", "")
	}
	return form
}

func with(form url.Values, pairs ...string) url.Values {
	changed := url.Values{}
	for name, values := range form {
		changed[name] = append([]string(nil), values...)
	}
	for i := 0; i+1 < len(pairs); i += 2 {
		changed.Set(pairs[i], pairs[i+1])
	}
	return changed
}

// keep types a formula and returns the address of its page.
func (s *bookShop) keep(form url.Values) string {
	s.t.Helper()
	got := s.post("/book/new", form)
	require.Equal(s.t, http.StatusSeeOther, got.Code, got.says())
	return got.Header().Get("Location")
}

func TestEmptyBookSaysWhatToDo(t *testing.T) {
	s := openShop(t)
	got := s.get("/book")
	assert.Equal(t, http.StatusOK, got.Code)
	assert.Contains(t, got.says(), "The book is empty")
	assert.Contains(t, got.page, `href="/book/new"`)
	assert.Contains(t, got.page, `href="/book/import"`)
	assert.Contains(t, s.get("/shelf").says(), "The shelf is empty")
	assert.Contains(t, s.get("/book/new").says(), "Put the toners on the shelf first")
}

// 1000 g at 1.25 g/ml (see below) are 800 ml; half as much hardener at 1.05 g/ml weighs 420 g. Worked by hand.
func TestFormulaTypedFromPaper(t *testing.T) {
	s := stocked(t)
	form := with(typed("Pistachio gate", "Chalk", "600", "v-3", "1000"), "basis", "running", "code", "K7-204/1", "alternate", "lighter", "years", "1968 to 1972",
		"tags", "van, ice cream", "total", "1000", "reduce_paint", "2", "hardener_name", "Quick hardener", "hardener_parts", "1", "pot_life", "90", "notes", "Over grey.")
	href := s.keep(form)
	page := s.get(href)
	require.Equal(t, http.StatusOK, page.Code)
	for _, words := range []string{
		"Pistachio gate, lighter", "K7-204/1 · 1968 to 1972", "van", "ice cream", "Over grey.", "Revision 1",
		"Chalk 600.0 60.00 600.0", "Verdigris 400.0 40.00 1000.0", "2 paint : 1 hardener by volume, pot life 90 min", "Quick hardener 420.0 g",
	} {
		assert.Contains(t, page.says(), words)
	}
	rev, err := s.store.LatestRevision(t.Context(), 1)
	require.NoError(t, err)
	require.NotNil(t, rev.Reduction)
	assert.InDelta(t, 1.05, rev.Reduction.Parts[0].Density, 1e-12, "the density comes from the shelf")

	for _, query := range []string{"k7204", "pista", "1968", "ice", "lighter"} {
		list := s.get("/book?part=list&q=" + query)
		assert.Contains(t, list.page, href, query)
		assert.NotContains(t, list.page, "<html", "only the list is sent again")
	}
	assert.Contains(t, s.get("/book?q=zzz").says(), "No formula has all of these words")
}

// ρ = Σm / Σ(m/ρ) with 600 g at 1.5 g/ml and 400 g at 1.0 g/ml: 1000/800 = 1.25 g/ml, so 350 ml weigh 437.5 g,
// 262.5 g and 175.0 g. Worked by hand.
func TestFormulaForAnotherAmount(t *testing.T) {
	s := stocked(t)
	href := s.keep(typed("Pistachio gate", "Chalk", "600", "Verdigris", "400"))
	page := s.get(href + "?amount=350&unit=ml")
	require.Equal(t, http.StatusOK, page.Code)
	for _, words := range []string{"350 ml of colour: 437.5 g, 350 ml", "Chalk 262.5", "Verdigris 175.0"} {
		assert.Contains(t, page.says(), words)
	}
	assert.Contains(t, page.page, "/mix/1?amount=350&amp;unit=ml")
	for _, amount := range []string{"0", "-5", "NaN", "1e9", "9999999999", "abc", "<script>"} {
		bad := s.get(href + "?unit=ml&amount=" + url.QueryEscape(amount))
		assert.Equal(t, http.StatusUnprocessableEntity, bad.Code, amount)
		assert.Contains(t, bad.page, `id="amount-problem"`, amount)
		assert.Contains(t, bad.page, "Chalk", "the formula is still shown")
	}
}

func TestFallingRunningTotalIsMarkedOnItsLine(t *testing.T) {
	s := stocked(t)
	form := with(typed("Pistachio gate", "Chalk", "600", "Verdigris", "580", "Soot", "700"), "basis", "running")
	got := s.post("/book/new", form)
	require.Equal(t, http.StatusUnprocessableEntity, got.Code)
	const sentence = "The running total falls from 600.0 to 580.0."
	assert.Contains(t, got.says(), sentence)
	assert.Regexp(t, `name="amount" value="580"[^>]*aria-invalid="true"`, got.page)
	assert.Contains(t, got.page, `id="amount-2-problem"`)
	assertDescribed(t, got.page)

	check := s.post("/book/check", form)
	require.Equal(t, http.StatusOK, check.Code)
	var live struct {
		Rows     []rowFigures
		Sum      string
		Problems map[string]string
	}
	require.NoError(t, json.Unmarshal([]byte(check.page), &live))
	assert.Contains(t, live.Problems["amount-2"], sentence, "the same rule while typing")
	assert.Equal(t, "600.0", live.Rows[0].Grams)
}

// assertDescribed checks that every field that is marked as wrong names a sentence that is on the page.
func assertDescribed(t *testing.T, page string) {
	t.Helper()
	invalid := regexp.MustCompile(`<[^>]*aria-invalid="true"[^>]*>`).FindAllString(page, -1)
	for _, tag := range invalid {
		by := regexp.MustCompile(`aria-describedby="([^"]*)"`).FindStringSubmatch(tag)
		require.NotNil(t, by, tag)
		for _, id := range strings.Fields(by[1]) {
			assert.Contains(t, page, `id="`+id+`"`, tag)
		}
	}
}

func TestTotalOnThePaperIsChecked(t *testing.T) {
	s := stocked(t)
	got := s.post("/book/new", with(typed("Pistachio gate", "Chalk", "600", "Verdigris", "400"), "total", "990"))
	assert.Equal(t, http.StatusUnprocessableEntity, got.Code)
	assert.Contains(t, got.says(), "The lines sum to 1000.0 g, but the total says 990.0 g")
}

func TestPastedListFillsTheForm(t *testing.T) {
	s := stocked(t)
	got := s.post("/book/new", with(typed(""), "do", "read", "paste", "Pistachio gate\nChalk 600.0\nVerdigris 400.0\nTotal 1000.0"))
	require.Equal(t, http.StatusOK, got.Code, got.says())
	assert.Regexp(t, `name="toner" value="Chalk"`, got.page)
	assert.Regexp(t, `name="amount" value="400.0"`, got.page)
	assert.Regexp(t, `value="Pistachio gate"`, got.page)
	rising := s.post("/book/new", with(typed(""), "do", "read", "paste", "Chalk 100\nVerdigris 200\nSoot 300"))
	assert.Equal(t, http.StatusUnprocessableEntity, rising.Code)
	assert.Contains(t, rising.says(), "they may be running totals")
	nothing := s.post("/book/new", with(typed("Kept name"), "do", "read", "paste", "…"))
	assert.Equal(t, http.StatusUnprocessableEntity, nothing.Code)
	assert.Contains(t, nothing.page, "Kept name")
}

func TestRevisionsStayAndAreCompared(t *testing.T) {
	s := stocked(t)
	href := s.keep(typed("Pistachio gate", "Chalk", "600", "Verdigris", "400"))
	form := s.get(href + "/revise")
	assert.Regexp(t, `name="amount" value="600\.0"`, form.page)
	got := s.post(href+"/revise", with(typed("", "Chalk", "600", "Verdigris", "380", "Soot", "20"), "note", "Dirtier."))
	require.Equal(t, http.StatusSeeOther, got.Code, got.says())
	latest := s.get(href)
	assert.Contains(t, latest.says(), "Revision 2")
	assert.Contains(t, latest.says(), "Dirtier.")
	assert.Contains(t, latest.page, "/compare?a=1&amp;b=2")
	first := s.get(href + "?rev=1")
	assert.Contains(t, first.says(), "An older revision.")
	assert.Contains(t, first.says(), "Verdigris 400.0 40.00")

	both := s.get("/compare?a=1&b=2")
	require.Equal(t, http.StatusOK, both.Code)
	for _, words := range []string{"2 toners differ", "Chalk the same 60.00 60.00 600.0 600.0", "Verdigris 5.0 % less 40.00 38.00 400.0 380.0", "Soot new – 2.00 – 20.0"} {
		assert.Contains(t, both.says(), words)
	}
	for _, path := range []string{"/compare", "/compare?a=1", "/compare?a=x&b=2"} {
		assert.Equal(t, http.StatusUnprocessableEntity, s.get(path).Code, path)
	}
	assert.Equal(t, http.StatusNotFound, s.get("/compare?a=1&b=99").Code)
	assert.Equal(t, http.StatusNotFound, s.get(href+"?rev=99").Code)
}

func TestVariantNeedsAReasonAndJoinsTheFamily(t *testing.T) {
	s := stocked(t)
	href := s.keep(typed("Pistachio gate", "Chalk", "600", "Verdigris", "400"))
	form := s.get(href + "/variant")
	assert.Regexp(t, `<input[^>]*value="ours"[^>]*id="alternate"`, form.page)
	variant := with(typed("Pistachio gate", "Chalk", "600", "Verdigris", "400", "Soot", "2.5"), "alternate", "ours")
	refused := s.post(href+"/variant?rev=1", variant)
	require.Equal(t, http.StatusUnprocessableEntity, refused.Code)
	assert.Contains(t, refused.page, `id="reason-problem"`)
	assert.Contains(t, refused.page, `value="2.5"`, "what was typed is kept")
	kept := s.post(href+"/variant?rev=1", with(variant, "reason", "Matches the left door."))
	require.Equal(t, http.StatusSeeOther, kept.Code, kept.says())

	page := s.get(kept.Header().Get("Location"))
	assert.Contains(t, page.says(), "Our variant of Pistachio gate")
	assert.Contains(t, page.says(), "Matches the left door.")
	assert.Contains(t, s.get(href).says(), "Family")
	f, err := s.store.Formula(t.Context(), 2)
	require.NoError(t, err)
	assert.Equal(t, &formula.Origin{FormulaID: 1, RevisionID: 1, Reason: "Matches the left door."}, f.Parent)
	again := s.post(href+"/variant?rev=1", with(variant, "reason", "Once more."))
	assert.Equal(t, http.StatusUnprocessableEntity, again.Code)
	assert.Contains(t, again.says(), "is in the book already")
}

// A batch that went over: 30.6 g instead of 30.0 g of Verdigris. The variant holds what was poured.
func TestBatchIsKeptAsAVariant(t *testing.T) {
	s := stocked(t)
	s.keep(typed("Pistachio gate", "Chalk", "600", "Verdigris", "400"))
	f, err := s.store.Formula(t.Context(), 1)
	require.NoError(t, err)
	rev, err := s.store.LatestRevision(t.Context(), 1)
	require.NoError(t, err)
	plan, _, err := pour.NewPlan(pour.Request{
		Title: f.Title(), FormulaID: 1, RevisionID: rev.ID, Revision: 1, System: f.System, Coat: f.Coat, Lines: rev.Lines,
		Amount: gram.Amount{Value: 75, Unit: gram.UnitGram}, Balance: gram.Balance{Division: 100, Max: 7500 * gram.Gram}, Limit: 0.3, TolerancePercent: 20,
	})
	require.NoError(t, err)
	state, err := s.store.Plan(t.Context(), "b1", pour.Command{ID: "e1", Device: "tablet", By: "Ada", At: shopTime, Body: plan})
	require.NoError(t, err)
	nothing := s.get("/batch/b1/variant")
	assert.Equal(t, http.StatusUnprocessableEntity, nothing.Code)
	assert.Contains(t, nothing.says(), "Nothing has been poured")
	for i, body := range []pour.Body{
		pour.CupPlaced{Reading: 15 * gram.Gram, Cup: plan.Cup},
		pour.Poured{Step: 1, Attempt: 1, Key: plan.Steps[0].Key, Reading: 60 * gram.Gram},
		pour.Poured{Step: 2, Attempt: 1, Key: plan.Steps[1].Key, Reading: 60*gram.Gram + 30_600},
	} {
		state, err = s.store.Record(t.Context(), "b1", pour.Command{ID: fmt.Sprint("c", i), Device: "tablet", By: "Ada", At: shopTime, Seen: state.Seq, Epoch: state.Epoch, Body: body})
		require.NoError(t, err)
	}
	form := s.get("/batch/b1/variant")
	require.Equal(t, http.StatusOK, form.Code, form.says())
	assert.Regexp(t, `name="amount" value="45\.0"`, form.page)
	assert.Regexp(t, `name="amount" value="30\.6"`, form.page)
	values := with(typed("Pistachio gate", "Chalk", "45.0", "Verdigris", "30.6"), "alternate", "ours")
	assert.Equal(t, http.StatusUnprocessableEntity, s.post("/batch/b1/variant", values).Code)
	got := s.post("/batch/b1/variant", with(values, "reason", "The van was greener."))
	require.Equal(t, http.StatusSeeOther, got.Code, got.says())
	variant, err := s.store.Formula(t.Context(), 2)
	require.NoError(t, err)
	assert.Equal(t, &formula.Origin{FormulaID: 1, RevisionID: 1, BatchID: "b1", Reason: "The van was greener."}, variant.Parent)
	assert.Equal(t, http.StatusNotFound, s.get("/batch/none/variant").Code)
}

func TestHeadingRetireAndTwins(t *testing.T) {
	s := stocked(t)
	href := s.keep(with(typed("Pistachio gate", "Chalk", "600"), "code", "K7"))
	twin := s.post("/book/new", with(typed("pistachio  GATE", "Chalk", "500"), "code", "k7"))
	assert.Equal(t, http.StatusUnprocessableEntity, twin.Code)
	assert.Contains(t, twin.says(), "is in the book already")
	other := s.keep(with(typed("Pistachio gate", "Chalk", "500"), "code", "K7", "alternate", "redder"))
	assert.Contains(t, s.get(href).says(), "Alternates of this code")
	assert.Contains(t, s.get(href).page, other)

	edited := s.post(href+"/edit", with(typed("Pistachio fence"), "code", "K7", "notes", "Renamed."))
	require.Equal(t, http.StatusSeeOther, edited.Code, edited.says())
	assert.Contains(t, s.get(href).says(), "Pistachio fence")
	same := s.post(href+"/edit", with(typed("Pistachio fence"), "code", "K7", "notes", "Same name, other notes."))
	assert.Equal(t, http.StatusSeeOther, same.Code, "its own name is no twin")

	require.Equal(t, http.StatusSeeOther, s.post(href+"/retire", url.Values{"retired": {"yes"}}).Code)
	assert.NotContains(t, s.get("/book").page, `href="`+href+`"`)
	assert.Contains(t, s.get("/book?retired=yes").page, `href="`+href+`"`)
	require.Equal(t, http.StatusSeeOther, s.post(href+"/retire", url.Values{"retired": {"no"}}).Code)
	assert.Contains(t, s.get("/book").page, `href="`+href+`"`)
}

func TestPagesOfTheBook(t *testing.T) {
	s := stocked(t)
	var list strings.Builder
	list.WriteString("name,system,coat,finish,toner,amount\n")
	for i := range 90 {
		fmt.Fprintf(&list, "Colour %03d,Solvent base,base,solid,Chalk,100\n", i)
	}
	require.Equal(t, http.StatusSeeOther, s.upload("/book/import", "take", list.String(), nil).Code)
	first := s.get("/book")
	assert.Contains(t, first.says(), "90 formulas, 1 to 40 shown")
	assert.Contains(t, first.page, `href="/book?from=40"`)
	last := s.get("/book?from=80")
	assert.Contains(t, last.says(), "81 to 90 shown")
	assert.NotContains(t, last.page, `rel="next"`)
	for _, from := range []string{"-1", "x", "99999999999999999999", "1000000"} {
		assert.Equal(t, http.StatusOK, s.get("/book?from="+from).Code, from)
	}
}

func TestImportIsAllOrNothing(t *testing.T) {
	s := stocked(t)
	bad := "name;system;coat;finish;toner;amount\nPistachio gate;Solvent base;base;solid;Chalk;640,5\nPistachio gate;Solvent base;base;solid;Nobody;12,5\nFjord;Solvent base;base;solid;Soot;-3\n"
	got := s.upload("/book/import", "take", bad, nil)
	require.Equal(t, http.StatusUnprocessableEntity, got.Code)
	for _, words := range []string{"Nothing is imported yet: 2 things are wrong", `No toner is called "Nobody"`, "is below 0", "decimal comma"} {
		assert.Contains(t, got.says(), words)
	}
	assert.Contains(t, html.UnescapeString(got.page), bad, "the list is kept")
	assert.NotContains(t, got.page, `value="take"`)
	assert.Contains(t, s.get("/book").says(), "The book is empty")

	good := strings.NewReplacer("Nobody", "Verdigris", "-3", "3").Replace(bad)
	looked := s.upload("/book/import", "look", "", []byte(good))
	require.Equal(t, http.StatusOK, looked.Code, looked.says())
	assert.Contains(t, looked.says(), "Import 2 formulas")
	assert.Contains(t, s.get("/book").says(), "The book is empty", "looking takes nothing")
	require.Equal(t, http.StatusSeeOther, s.upload("/book/import", "take", good, nil).Code)
	assert.Contains(t, s.get("/formula/1").says(), "Chalk 640.5")
	again := s.upload("/book/import", "take", good, nil)
	assert.Equal(t, http.StatusUnprocessableEntity, again.Code)
	assert.Contains(t, again.says(), "is in the book already")
}

// A file as an old spreadsheet writes it: Windows-1252, where 0xe9 is é (Unicode's CP1252 table).
func TestImportOfAnotherEncoding(t *testing.T) {
	s := stocked(t)
	file := []byte("name;system;coat;finish;toner;amount\nCaf\xe9;Solvent base;base;solid;Chalk;640,5\n")
	looked := s.upload("/book/import", "look", "", file)
	require.Equal(t, http.StatusOK, looked.Code)
	assert.Contains(t, looked.says(), "Windows-1252")
	text := regexp.MustCompile(`(?s)<textarea id="text"[^>]*>\n?(.*?)</textarea>`).FindStringSubmatch(looked.page)
	require.NotNil(t, text)
	require.Equal(t, http.StatusSeeOther, s.upload("/book/import", "take", html.UnescapeString(text[1]), nil).Code)
	assert.Contains(t, s.get("/formula/1").says(), "Café")
}

func TestExportComesBackUnchanged(t *testing.T) {
	s := stocked(t)
	s.keep(with(typed("Pistachio gate", "Chalk", "600.125", "Verdigris", "399.875"), "code", "=K7", "tags", "van, ice cream", "years", "1968"))
	toners, book := s.get("/shelf/export.csv"), s.get("/book/export.csv")
	require.Equal(t, http.StatusOK, book.Code)
	assert.Equal(t, "text/csv; charset=utf-8", book.Header().Get("Content-Type"))
	assert.Equal(t, book.page, s.get("/formula/1/export.csv").page)

	other := openShop(t)
	require.Equal(t, http.StatusSeeOther, other.upload("/shelf/import", "take", toners.page, nil).Code)
	require.Equal(t, http.StatusSeeOther, other.upload("/book/import", "take", book.page, nil).Code)
	assert.Equal(t, toners.page, other.get("/shelf/export.csv").page)
	assert.Equal(t, book.page, other.get("/book/export.csv").page)
}

func TestShelfKeepsAToner(t *testing.T) {
	s := stocked(t)
	form := url.Values{
		"name": {"Soot 2"}, "code": {"S-10"}, "system": {"Solvent base"}, "kind": {"solid"}, "strength": {"strong"}, "density": {"1,02"}, "price": {"51.50"},
		"swatch": {"#1C1C1E"}, "hazard": {"Irritates.\r\nWear gloves."}, "sheet": {"https://example.org/soot.pdf"}, "stocked": {"yes"},
	}
	require.Equal(t, http.StatusSeeOther, s.post("/shelf/new", form).Code)
	got := s.get("/shelf/6")
	for _, words := range []string{`value="1.02"`, `value="51.50"`, `value="#1c1c1e"`, `href="https://example.org/soot.pdf"`} {
		assert.Contains(t, got.page, words)
	}
	old := with(form, "name", "Soot", "code", "S-9", "by", "Soot 2", "factor", "1.05", "stocked", "")
	require.Equal(t, http.StatusSeeOther, s.post("/shelf/3", old).Code)
	assert.Contains(t, s.get("/shelf").says(), "Superseded by Soot 2, 1.05 g for each gram")
	assert.NotContains(t, s.get("/shelf?stocked=yes&part=list").page, `href="/shelf/3"`)
	twin := s.post("/shelf/new", with(form, "name", "soot 2"))
	assert.Equal(t, http.StatusUnprocessableEntity, twin.Code)
	assert.Contains(t, twin.page, `id="name-problem"`)
	circle := s.post("/shelf/6", with(form, "by", "Soot", "factor", "1"))
	assert.Equal(t, http.StatusUnprocessableEntity, circle.Code)
	assert.Contains(t, circle.page, `id="by-problem"`)
	assert.Equal(t, http.StatusNotFound, s.get("/shelf/99").Code)
	assert.Equal(t, http.StatusNotFound, s.get("/shelf/x").Code)
}

func TestTonersComplete(t *testing.T) {
	s := stocked(t)
	ask := func(query string) []completion {
		var out []completion
		got := s.get("/shelf/complete?" + query)
		require.Equal(t, http.StatusOK, got.Code, got.page)
		require.NoError(t, json.Unmarshal([]byte(got.page), &out))
		return out
	}
	assert.Equal(t, "Verdigris", ask("system=Solvent+base&q=ver")[0].Name)
	assert.Equal(t, "Soot", ask("system=Solvent+base&q=s9")[0].Name)
	assert.Empty(t, ask("system=Solvent+base&q=mist"), "another paint system is not offered")
	assert.Empty(t, ask("q=%22%27%3B*%00zz"))
}

func TestToneInAnotherSystemIsRefused(t *testing.T) {
	s := stocked(t)
	got := s.post("/book/new", typed("Pistachio gate", "Chalk", "600", "Mist", "40"))
	require.Equal(t, http.StatusUnprocessableEntity, got.Code)
	assert.Contains(t, got.says(), "Paint systems do not mix")
	alone := s.post("/book/new", typed("Pistachio gate", "Mist", "40"))
	require.Equal(t, http.StatusUnprocessableEntity, alone.Code)
	assert.Contains(t, alone.says(), "Paint systems do not mix")
}
