package web

import (
	"fmt"
	"html"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// shopWithOne is a shop with one formula and a variant-to-be of it.
func shopWithOne(t *testing.T) *bookShop {
	s := stocked(t)
	s.keep(typed("Pistachio gate", "Chalk", "600", "Verdigris", "400"))
	return s
}

// entryForms are the forms in which lines are typed.
var entryForms = map[string]string{
	"new formula": "/book/new", "new revision": "/formula/1/revise", "variant": "/formula/1/variant?rev=1",
}

func sound() url.Values {
	return with(typed("Another", "Chalk", "600", "Verdigris", "400"), "reason", "A reason.")
}

func list(pairs ...string) url.Values {
	return with(typed("Another", pairs...), "reason", "A reason.")
}

func TestBadAmountsComeBackWithASentence(t *testing.T) {
	bad := map[string]string{
		"zero": "0", "zero with decimals": "0.000", "negative": "-5", "absurd": "99999999999", "not a number": "NaN", "endless": "Inf", "exponent": "1e3",
		"empty": "", "word": "some", "markup": "<b>1</b>", "under a milligram": "0.0001", "two meanings": "1,234", "unit": "5 spoons", "line break": "1\n2",
		"right to left": "\u202e12", "a long one": strings.Repeat("9", 5000),
	}
	s := shopWithOne(t)
	for form, path := range entryForms {
		for name, amount := range bad {
			for _, basis := range []string{"weights", "running", "percent", "parts"} {
				if basis != "weights" && (name == "exponent" || name == "unit" || name == "absurd" || name == "under a milligram") {
					continue // a share may be one of these, or is refused by its sum
				}
				t.Run(fmt.Sprintf("%s, %s, %s", form, name, basis), func(t *testing.T) {
					got := s.post(path, with(list("Chalk", "60", "Verdigris", amount), "basis", basis))
					require.Equal(t, http.StatusUnprocessableEntity, got.Code, got.says())
					assert.Contains(t, got.page, `class="problem"`)
					assert.Contains(t, got.page, `id="amount-2-problem"`, "the sentence stands on its line")
					assert.Contains(t, html.UnescapeString(got.page), `value="`+amount+`"`, "what was typed is kept")
					assert.NotContains(t, got.page, "<b>1</b>")
					assertDescribed(t, got.page)
				})
			}
		}
	}
}

func TestBadListsComeBackWithASentence(t *testing.T) {
	many := func(n int) url.Values {
		form := list()
		form.Del("toner")
		form.Del("amount")
		for range n {
			form.Add("toner", "Chalk")
			form.Add("amount", "1")
		}
		return form
	}
	bad := map[string]struct {
		form url.Values
		says string
	}{
		"no lines":            {list(), "There are no lines"},
		"a toner twice":       {list("Chalk", "600", "CHALK", "5"), "Chalk is on line 1 already"},
		"twice by its code":   {list("Chalk", "600", "c-1", "5"), "Chalk is on line 1 already"},
		"unknown toner":       {list("Chalk", "600", "Nobody", "5"), `No toner is called "Nobody"`},
		"no toner":            {list("Chalk", "600", "", "5"), "There is no toner"},
		"another system":      {list("Chalk", "600", "Mist", "5"), "Paint systems do not mix"},
		"200 toners":          {many(200), "this list has 200 lines"},
		"3000 toners":         {many(3000), "Only the first 300 are kept here"},
		"unknown basis":       {with(sound(), "basis", "spoons"), "is not a way to give amounts"},
		"per cent off":        {with(list("Chalk", "60", "Verdigris", "30"), "basis", "percent"), "sum to 90"},
		"total of 0":          {with(sound(), "total", "0"), "The total is 0 g"},
		"total of nothing":    {with(sound(), "total", "NaN"), "is not a weight"},
		"total too large":     {with(sound(), "total", "1e99"), "is not"},
		"toner with NUL":      {list("Chalk", "600", "So\x00ot", "5"), "control character"},
		"toner in bad bytes":  {list("Chalk", "600", "So\xffot", "5"), "lost on the way"},
		"a toner of a mile":   {list("Chalk", "600", strings.Repeat("x", 900), "5"), "longer than 500 characters"},
		"all over a tonne":    {list("Chalk", "900 kg", "Verdigris", "900 kg"), "more than 1000 kg"},
		"script for a toner":  {list("Chalk", "600", "<script>alert(1)</script>", "5"), "No toner is called"},
		"no reducer":          {with(sound(), "reduce_paint", "2"), "nothing to reduce it with"},
		"no paint":            {with(sound(), "reducer_parts", "1", "reducer_density", "0.9"), "how many parts of paint"},
		"no density":          {with(sound(), "reduce_paint", "2", "reducer_parts", "1"), "By volume the density is needed"},
		"by nothing":          {with(sound(), "reduce_by", "", "reduce_paint", "2", "reducer_parts", "1"), "by volume or by weight"},
		"negative parts":      {with(sound(), "reduce_paint", "-2", "reducer_parts", "-1", "reducer_density", "0.9"), "cannot be -2"},
		"a density of 70":     {with(sound(), "reduce_paint", "2", "reducer_parts", "1", "reducer_density", "70"), "cannot be 70"},
		"pot life of nothing": {with(sound(), "pot_life", "NaN"), "is not a number"},
		"pot life of a year":  {with(sound(), "reduce_paint", "2", "hardener_parts", "1", "hardener_density", "1", "pot_life", "525600"), "cannot be 525600"},
		"note with NUL":       {with(sound(), "note", "a\x00b"), "control character"},
		"note of a mile":      {with(sound(), "note", strings.Repeat("x", 6000)), "longer than 5000 characters"},
	}
	s := shopWithOne(t)
	for form, path := range entryForms {
		for name, c := range bad {
			t.Run(form+", "+name, func(t *testing.T) {
				got := s.post(path, c.form)
				require.Equal(t, http.StatusUnprocessableEntity, got.Code, got.says())
				assert.Contains(t, strings.ToLower(got.says()), strings.ToLower(c.says))
				assert.NotContains(t, got.page, "<script>alert")
				assertDescribed(t, got.page)
			})
		}
	}
}

func TestBadHeadingsComeBackWithASentence(t *testing.T) {
	bad := map[string]struct{ field, value, says string }{
		"no name":           {"name", "", "has no name"},
		"blank name":        {"name", " \t ", "has no name"},
		"name with NUL":     {"name", "a\x00b", "control character"},
		"name in bad bytes": {"name", "a\xffb", "lost on the way"},
		"name of a mile":    {"name", strings.Repeat("ä", 300), "longer than 200 characters"},
		"code of a mile":    {"code", strings.Repeat("9", 300), "longer than 200 characters"},
		"line in a code":    {"code", "a\nb", "line break"},
		"no coat":           {"coat", "", "Choose the coat"},
		"unknown coat":      {"coat", "varnish", "Choose the coat"},
		"unknown finish":    {"finish", "<i>", "Choose solid, metallic or pearl"},
		"swatch":            {"swatch", "red", "is no swatch"},
		"swatch markup":     {"swatch", `#fff"/><script>`, "is no swatch"},
		"notes of a mile":   {"notes", strings.Repeat("x", 6000), "longer than 5000 characters"},
		"semicolon in tag":  {"tags", "a;b", "cannot hold a semicolon"},
	}
	s := shopWithOne(t)
	for form, path := range map[string]string{"new formula": "/book/new", "variant": "/formula/1/variant?rev=1", "heading": "/formula/1/edit"} {
		for name, c := range bad {
			t.Run(form+", "+name, func(t *testing.T) {
				got := s.post(path, with(sound(), c.field, c.value))
				require.Equal(t, http.StatusUnprocessableEntity, got.Code, got.says())
				assert.Contains(t, got.says(), c.says)
				assert.Contains(t, got.page, `id="`+c.field+`-problem"`)
				assert.NotContains(t, got.page, "<script>\"")
				assertDescribed(t, got.page)
			})
		}
	}
	many := sound()
	for range 6000 {
		many.Add("toner", "Chalk")
		many.Add("amount", "1")
	}
	assert.Equal(t, http.StatusUnprocessableEntity, s.post("/book/new", many).Code, "more fields than a form is read for")
	got := s.post("/book/new", with(sound(), "system", ""))
	assert.Equal(t, http.StatusUnprocessableEntity, got.Code)
	assert.Contains(t, got.page, `id="system-problem"`)
}

func TestBadTonersComeBackWithASentence(t *testing.T) {
	good := url.Values{"name": {"New"}, "system": {"Solvent base"}, "kind": {"solid"}, "strength": {"strong"}}
	bad := map[string]struct{ field, value string }{
		"no name": {"name", ""}, "name with NUL": {"name", "a\x00"}, "name of a mile": {"name", strings.Repeat("x", 300)}, "bytes": {"name", "\xff"},
		"code of a mile": {"code", strings.Repeat("x", 300)}, "kind": {"kind", "glue"}, "strength": {"strength", "very"},
		"density 0": {"density", "0"}, "density negative": {"density", "-1"}, "density NaN": {"density", "NaN"}, "density absurd": {"density", "1000"}, "density word": {"density", "heavy"},
		"price negative": {"price", "-1"}, "price NaN": {"price", "NaN"}, "price absurd": {"price", "1000000000000"}, "price of three decimals": {"price", "1.2345"},
		"swatch": {"swatch", "red"}, "replaced by nobody": {"by", "Nobody"}, "replaced by itself": {"by", "New"}, "replaced by another system": {"by", "Mist"},
		"factor 0": {"factor", "0"}, "factor alone": {"factor", "2"}, "factor negative": {"factor", "-1"}, "factor absurd": {"factor", "1000000"},
		"hazard of a mile": {"hazard", strings.Repeat("x", 6000)}, "sheet of a mile": {"sheet", strings.Repeat("x", 6000)},
	}
	s := stocked(t)
	for _, path := range []string{"/shelf/new", "/shelf/3"} {
		for name, c := range bad {
			t.Run(path+", "+name, func(t *testing.T) {
				got := s.post(path, with(good, c.field, c.value))
				require.Equal(t, http.StatusUnprocessableEntity, got.Code, got.says())
				assert.Contains(t, got.page, `class="problem"`)
				assertDescribed(t, got.page)
			})
		}
	}
	assert.Equal(t, http.StatusUnprocessableEntity, s.post("/shelf/new", with(good, "system", "")).Code)
	script := s.post("/shelf/new", with(good, "sheet", "javascript:alert(1)"))
	require.Equal(t, http.StatusSeeOther, script.Code, "a shelf place may read like anything")
	assert.NotContains(t, s.get("/shelf/6").page, `href="javascript:`)
}

func TestBadImportsComeBackWithASentence(t *testing.T) {
	bad := map[string]string{
		"nothing": "", "blank": " \n ", "no columns": "a,b,c\n1,2,3\n", "binary": "PK\x03\x04\x00\x00", "an open quote": "name,system,coat,finish,toner,amount\n\"x,y\n",
		"a header only": "name,system,coat,finish,toner,amount\n", "markup": "<table><tr><td>1</td></tr></table>", "200 lines of one formula": strings.Repeat("name,system,coat,finish,toner,amount\n", 200),
		"half UTF-16": "\xff\xfea", "megabyte": strings.Repeat("x", 1<<20), "a toner twice": "name,system,coat,finish,toner,amount\nA,Solvent base,base,solid,Chalk,1\nA,Solvent base,base,solid,Chalk,1\n",
		"NaN": "name,system,coat,finish,toner,amount\nA,Solvent base,base,solid,Chalk,NaN\n", "another system": "name,system,coat,finish,toner,amount\nA,Water base,base,solid,Chalk,1\n",
	}
	s := stocked(t)
	for _, path := range []string{"/book/import", "/shelf/import"} {
		for name, text := range bad {
			t.Run(path+", "+name, func(t *testing.T) {
				for _, do := range []string{"look", "take"} {
					got := s.upload(path, do, text, nil)
					assert.Equal(t, http.StatusUnprocessableEntity, got.Code, got.says())
					assert.Contains(t, got.page, `class="problem"`)
					assert.NotContains(t, got.page, `value="take"`)
				}
				assert.Equal(t, http.StatusUnprocessableEntity, s.upload(path, "look", "", []byte(text)).Code)
			})
		}
	}
	assert.Contains(t, s.get("/book").says(), "The book is empty")
}

// Every form of the book and the shelf is sent a megabyte in every field, and more than a form may hold.
func TestMegabytesAreRefused(t *testing.T) {
	s := shopWithOne(t)
	megabyte := strings.Repeat("ж", 1<<19)
	lines := append([]string{"toner", "amount"}, entryFields...)
	for path, fields := range map[string][]string{
		"/book/new": lines, "/formula/1/revise": lines, "/formula/1/variant": lines, "/formula/1/edit": lines, "/shelf/new": tonerFields, "/shelf/1": tonerFields,
	} {
		t.Run(path, func(t *testing.T) {
			for _, field := range fields {
				got := s.post(path, url.Values{"name": {"x"}, field: {strings.Repeat("x", 1<<20)}, "do": {"keep"}})
				assert.Equal(t, http.StatusUnprocessableEntity, got.Code, field)
			}
			assert.Equal(t, http.StatusRequestEntityTooLarge, s.post(path, url.Values{"name": {megabyte}, "code": {megabyte}, "notes": {megabyte}}).Code)
			assert.Equal(t, http.StatusRequestEntityTooLarge, s.post(path, url.Values{"name": {strings.Repeat("x", 3<<20)}}).Code)
		})
	}
	assert.Equal(t, http.StatusRequestEntityTooLarge, s.upload("/book/import", "look", strings.Repeat("x", 25<<20), nil).Code)
	for _, path := range []string{"/book", "/shelf", "/shelf/complete"} {
		got := s.get(path + "?q=" + strings.Repeat("x", 1<<16))
		assert.Equal(t, http.StatusUnprocessableEntity, got.Code, path)
	}
}

func TestHostileSearchesAreAnswered(t *testing.T) {
	s := shopWithOne(t)
	for _, q := range []string{`"`, `'`, `*`, `NEAR`, `a OR b`, `name:x`, `-`, "\x00", "\xff", `"a" AND`, `(`, "🎨", "ﷺ", "<script>", `\`, `%`, "_"} {
		for _, path := range []string{"/book?q=", "/shelf?q=", "/shelf/complete?q=", "/book?part=list&system=", "/book?coat=", "/shelf?system="} {
			got := s.get(path + url.QueryEscape(q))
			assert.Less(t, got.Code, 500, path+q)
			assert.NotContains(t, got.page, "<script>"+"\"")
		}
	}
}

func TestAnyScriptIsWelcome(t *testing.T) {
	s := stocked(t)
	for i, name := range []string{"Фисташка", "開心果", "فستقي", "Pistacchio d’oro", "ピスタチオ", "<b>Pistachio</b>", "'; DROP TABLE formula; --", "🎨"} {
		href := s.keep(with(typed(name, "Chalk", "600"), "code", fmt.Sprint("K", i), "notes", "Erste Zeile\r\nzweite"))
		page := s.get(href)
		assert.Equal(t, http.StatusOK, page.Code, name)
		assert.Contains(t, page.page, html.EscapeString(name))
		assert.NotContains(t, page.page, "<b>Pistachio")
	}
	assert.Equal(t, http.StatusOK, s.get("/book/export.csv").Code, "what can be typed can be exported")
}

func TestAddressesThatLeadNowhere(t *testing.T) {
	s := shopWithOne(t)
	for _, path := range []string{
		"/formula/0", "/formula/-1", "/formula/99", "/formula/x", "/formula/99999999999999999999", "/formula/1?rev=x", "/formula/99/revise", "/formula/99/variant", "/formula/99/edit",
		"/formula/99/export.csv", "/shelf/0", "/shelf/99", "/batch/none/variant",
	} {
		assert.Equal(t, http.StatusNotFound, s.get(path).Code, path)
	}
	for _, path := range []string{"/formula/99/revise", "/formula/99/variant", "/formula/99/edit", "/formula/99/retire", "/shelf/99", "/batch/none/variant"} {
		assert.Equal(t, http.StatusNotFound, s.post(path, sound()).Code, path)
	}
}
