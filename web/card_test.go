package web

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"html"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"log/slog"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/store"
)

// wallShop is the program over a real file with one cup poured, drawn from and stirred. All names are invented.
type wallShop struct {
	t       *testing.T
	store   *store.Store
	handler http.Handler
	now     time.Time
	formula formula.Formula
	state   pour.State
	taps    int
}

const wallBatch = "cup-1"

func openWall(t *testing.T, change func(*formula.Formula)) *wallShop {
	t.Helper()
	s := &wallShop{t: t, now: time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)}
	clock := func() time.Time { return s.now }
	var err error
	s.store, err = store.Open(filepath.Join(t.TempDir(), "book.db"), store.WithClock(clock))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.store.Close()) })
	s.handler = New(Config{Store: s.store, Now: clock, Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Hosts: []string{"example.com"}})

	var lines []formula.Line
	for i, name := range []string{"Chalk", "Verdigris"} {
		toner, err := s.store.SaveToner(t.Context(), formula.Toner{Name: name, System: "Solvent base", Kind: formula.Solid, Strength: formula.Medium, Density: 1.1, Stocked: true})
		require.NoError(t, err)
		lines = append(lines, formula.Line{Toner: toner, Mass: gram.Mass(60-20*i) * gram.Gram})
	}
	f := formula.Formula{
		Name: "Pistachio gate", Code: "P-1", System: "Solvent base", Coat: formula.Base, Finish: formula.FinishSolid, Swatch: "#b3cb6d",
		Target: &colour.Lab{L: 50, A: 2.6772, B: -79.7751},
	}
	if change != nil {
		change(&f)
	}
	f, rev, err := s.store.CreateFormula(t.Context(), f, formula.Revision{Lines: lines, By: "Ann"})
	require.NoError(t, err)
	s.formula = f

	plan := pour.Planned{
		Title: f.Title(), Job: "Ice-cream van", FormulaID: f.ID, RevisionID: rev.ID, Revision: 1, System: f.System, Coat: f.Coat, Asked: "100 g",
		Total: 100 * gram.Gram, Balance: gram.Balance{Division: 100}, Cup: pour.Cup{Name: "400 ml cup", Brim: 400},
	}
	for i, l := range rev.Lines {
		c := pour.ComponentOf(l.Toner, l.Mass)
		plan.Components = append(plan.Components, c)
		plan.Steps = append(plan.Steps, pour.Step{No: i + 1, Key: c.Key, Aim: l.Mass, Tolerance: gram.Gram})
	}
	s.state, err = s.store.Plan(t.Context(), wallBatch, s.command(plan))
	require.NoError(t, err)
	return s
}

func (s *wallShop) command(body pour.Body) pour.Command {
	s.taps++
	return pour.Command{ID: fmt.Sprintf("tap-%d", s.taps), Seen: s.state.Decided, Epoch: s.state.Epoch, Device: "tablet", By: "Ann", At: s.now, Body: body}
}

func (s *wallShop) does(body pour.Body) {
	s.t.Helper()
	state, err := s.store.Record(s.t.Context(), wallBatch, s.command(body))
	require.NoError(s.t, err)
	s.state = state
}

// poured is openWall with the cup full, stirred and 40 g drawn for a card.
func poured(t *testing.T, change func(*formula.Formula)) *wallShop {
	s := openWall(t, change)
	s.does(pour.CupPlaced{Reading: 15 * gram.Gram, Cup: s.state.Plan.Cup})
	for len(s.state.Todo) > 0 {
		step := s.state.Todo[0]
		s.does(pour.Poured{Step: step.No, Attempt: s.state.Attempt(step.No), Key: step.Key, Reading: s.state.Last + step.Aim})
	}
	s.does(pour.Stirred{})
	s.draw(40 * gram.Gram)
	return s
}

func (s *wallShop) draw(m gram.Mass) { s.does(pour.Drawn{Mass: m, Reading: s.state.Last - m}) }

func (s *wallShop) send(req *http.Request) (int, string, http.Header) {
	s.t.Helper()
	req.AddCookie(&http.Cookie{Name: cookieWho, Value: "Mirek"})
	w := httptest.NewRecorder()
	s.handler.ServeHTTP(w, req)
	return w.Code, w.Body.String(), w.Header()
}

func (s *wallShop) get(path string) (int, string) {
	code, body, _ := s.send(httptest.NewRequest(http.MethodGet, path, nil))
	return code, body
}

// post sends a form as a browser does, with a file where there is one.
func (s *wallShop) post(path string, values url.Values, photo []byte) (int, string, http.Header) {
	s.t.Helper()
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	for name, all := range values {
		for _, v := range all {
			require.NoError(s.t, w.WriteField(name, v))
		}
	}
	if photo != nil {
		part, err := w.CreateFormFile("photo", "panel.jpg")
		require.NoError(s.t, err)
		_, err = part.Write(photo)
		require.NoError(s.t, err)
	}
	require.NoError(s.t, w.Close())
	req := httptest.NewRequest(http.MethodPost, path, &body)
	req.Header.Set("Content-Type", w.FormDataContentType())
	return s.send(req)
}

const newCard = "/batch/" + wallBatch + "/card"

// kept posts a form that has to be taken and returns the card it became.
func (s *wallShop) kept(path string, values url.Values, photo []byte) card.Card {
	s.t.Helper()
	code, body, head := s.post(path, values, photo)
	require.Equal(s.t, http.StatusSeeOther, code, body)
	text := strings.TrimSuffix(strings.TrimPrefix(head.Get("Location"), "/card/"), "#saved")
	id, err := strconv.ParseInt(text, 10, 64)
	require.NoError(s.t, err)
	c, err := s.store.Card(s.t.Context(), id)
	require.NoError(s.t, err)
	return c
}

// sprayed is a form filled in as a painter would.
func sprayed() url.Values {
	return url.Values{
		"by": {"Mirek"}, "coats": {"2"}, "cleared": {"yes"}, "dry": {"yes"}, "undercoat": {"grey 3"}, "size": {"100 × 150 mm"},
		"gun": {"1.3 mm"}, "pressure": {"2,0 bar"}, "distance": {"150 mm"}, "reduction": {"2 : 1"}, "notes": {"by the door\nin the shade"},
		"eye-0-0": {"yes"}, "off-0-0-0": {"0"}, "off-0-0-1": {"1"},
		"off-1-1-0": {"-3"}, "off-1-1-4": {"2"},
		"read-0-L": {"50"}, "read-0-a": {"0"}, "read-0-b": {"−82,7485"},
		"decision": {"blend"},
	}
}

func TestCardIsLoggedAsItWasTyped(t *testing.T) {
	s := poured(t, nil)
	drawnAt := s.state.Seq
	got := s.kept(newCard, sprayed(), nil)
	assert.Equal(t, 1, got.Number)
	want := card.Card{
		ID: got.ID, Number: 1, Batch: wallBatch, BatchSeq: drawnAt, FormulaID: s.formula.ID, RevisionID: s.state.Plan.RevisionID, SprayedAt: s.now.Local(), DecidedAt: s.now.Local(),
		By: "Mirek", Coats: 2, Cleared: true, Dry: true, Undercoat: "grey 3", Size: "100 × 150 mm", Gun: "1.3 mm", Pressure: "2,0 bar", Distance: "150 mm",
		Reduction: "2 : 1", Notes: "by the door\nin the shade", Decision: card.Blend,
		Verdicts: []card.Verdict{{Light: card.Daylight, Side: card.Face, Off: [5]int{0, 1}}, {Light: card.Tungsten, Side: card.Flop, Off: [5]int{-3, 0, 0, 0, 2}}},
		Readings: []card.Measured{{Geometry: "45/0", Lab: colour.Lab{L: 50, A: 0, B: -82.7485}, Illuminant: "D65", Observer: "10"}},
	}
	assert.True(t, want.SprayedAt.Equal(got.SprayedAt) && want.DecidedAt.Equal(got.DecidedAt))
	want.SprayedAt, want.DecidedAt = got.SprayedAt, got.DecidedAt
	assert.Equal(t, want, got)

	code, body := s.get(cardHref(got.ID))
	require.Equal(t, http.StatusOK, code)
	page := wordsOf(body)
	// ΔE00 of the first pair of Sharma, Wu, Dalal, Color Res. Appl. 30(1), 21–30, 2005, table 1: 2.0425.
	for _, says := range []string{"Card 1", "Blend", "a trace redder", "much darker, coarser", "not looked at", "2.04", "seen at a glance", "A screen is no colour standard", "Tint the cup", "by the door", "Saved once"} {
		assert.Contains(t, page, says)
	}
	assert.NotContains(t, page, "Tube or LED", "nobody looked under it")
	assert.NotContains(t, page, "Not final")
}

// The composition of a card is that of the cup when its paint was drawn, however much was tinted since.
func TestCardBelongsToItsDrawing(t *testing.T) {
	s := poured(t, nil)
	first := s.state.Seq
	s.draw(10 * gram.Gram)
	last := s.state.Seq
	_, body := s.get(newCard)
	assert.Contains(t, body, "40.0 g at 12:00")
	assert.Equal(t, last, s.kept(newCard, sprayed(), nil).BatchSeq, "the last one where nothing is said")
	v := sprayed()
	v.Set("seq", strconv.Itoa(first))
	assert.Equal(t, first, s.kept(newCard, v, nil).BatchSeq)
	v.Set("seq", "999999")
	assert.Equal(t, last, s.kept(newCard, v, nil).BatchSeq, "a place that is no drawing is not believed")
}

func TestSecondCardBeginsWithTheGunOfTheFirst(t *testing.T) {
	s := poured(t, nil)
	s.kept(newCard, sprayed(), nil)
	_, body := s.get(newCard)
	for _, v := range []string{`value="1.3 mm"`, `value="2,0 bar"`, `value="150 mm"`, `value="grey 3"`} {
		assert.Contains(t, body, v)
	}
	assert.NotContains(t, body, "by the door", "what was seen then is not what is seen now")
}

func TestFormSentTwiceIsOneCard(t *testing.T) {
	s := poured(t, nil)
	v := sprayed()
	v.Set("opened", strconv.FormatInt(s.now.Add(-time.Minute).UnixMilli(), 10))
	first := s.kept(newCard, v, nil)
	assert.Equal(t, first.ID, s.kept(newCard, v, nil).ID)
	assert.True(t, first.SprayedAt.Equal(s.now.Add(-time.Minute)))
	v.Set("opened", strconv.FormatInt(s.now.UnixMilli(), 10))
	assert.NotEqual(t, first.ID, s.kept(newCard, v, nil).ID)
}

func TestCardAfterTheBatchEnded(t *testing.T) {
	s := poured(t, nil)
	s.does(pour.Finished{Kept: 0})
	c := s.kept(newCard, sprayed(), nil)
	_, body := s.get(cardHref(c.ID))
	assert.NotContains(t, body, "Tint the cup", "there is no cup any more")
}

func TestNothingPouredNoCard(t *testing.T) {
	s := openWall(t, nil)
	code, body := s.get(newCard)
	assert.Equal(t, http.StatusConflict, code)
	assert.Contains(t, wordsOf(body), "Nothing has been poured into this cup yet.")
}

func TestTriCoatAsksForSteps(t *testing.T) {
	for name, change := range map[string]func(*formula.Formula){
		"mid coat": func(f *formula.Formula) { f.Coat = formula.Mid },
		"pearl":    func(f *formula.Formula) { f.Finish = formula.FinishPearl },
	} {
		t.Run(name, func(t *testing.T) {
			s := poured(t, change)
			_, body := s.get(newCard)
			assert.Contains(t, body, `name="step-4"`)
			assert.NotContains(t, body, `name="coats"`)
			v := sprayed()
			v.Del("coats")
			v.Set("step-1", "not enough")
			v.Set("own-2", "fast richtig")
			v.Set("step-3", "sprayed")
			v.Set("chosen", "2")
			c := s.kept(newCard, v, nil)
			assert.Equal(t, 2, c.Coats)
			assert.Equal(t, []card.Step{{MidCoats: 1, Word: "not enough"}, {MidCoats: 2, Word: "fast richtig", Chosen: true}, {MidCoats: 3}}, c.Steps)
			_, body = s.get("/cards/" + strconv.FormatInt(s.formula.ID, 10))
			assert.Contains(t, body, "Stepped panel, 3 fields, 2 mid coats chosen")
		})
	}
}

func TestWetOrUnclearedIsNotFinal(t *testing.T) {
	s := poured(t, nil)
	for want, v := range map[string][2]string{
		"Not final: wet and not cleared": {"no", "no"}, "Not final: still wet": {"yes", "no"}, "Not final: not cleared": {"no", "yes"},
	} {
		form := sprayed()
		form.Set("cleared", v[0])
		form.Set("dry", v[1])
		c := s.kept(newCard, form, nil)
		for _, path := range []string{cardHref(c.ID), "/cards"} {
			_, body := s.get(path)
			assert.Contains(t, body, want, path)
		}
	}
}

func TestCardIsChanged(t *testing.T) {
	s := poured(t, nil)
	c := s.kept(newCard, sprayed(), nil)
	_, body := s.get(cardHref(c.ID) + "/edit")
	assert.Contains(t, body, `name="off-1-1-0" value="-3" checked`)
	assert.Contains(t, body, `value="-82.7485"`)
	v := sprayed()
	v.Set("decision", "edge to edge")
	v.Set("notes", "held again in the sun")
	s.now = s.now.Add(time.Hour)
	changed := s.kept(cardHref(c.ID)+"/edit", v, nil)
	assert.Equal(t, c.ID, changed.ID)
	assert.True(t, changed.SprayedAt.Equal(c.SprayedAt))
	assert.True(t, changed.DecidedAt.Equal(s.now))
	_, body = s.get(cardHref(c.ID))
	page := wordsOf(body)
	assert.Contains(t, page, "Saved 2 times")
	assert.Contains(t, page, "Mirek decision: edge to edge, notes")
	assert.NotContains(t, page, "Tint the cup")
}

func TestDifferencesAreWorkedOutWhileTyping(t *testing.T) {
	s := poured(t, nil)
	q := url.Values{
		"part": {"readings"}, "read-0-L": {"50"}, "read-0-a": {"0"}, "read-0-b": {"-82.7485"},
		"read-1-L": {"1e9"}, "read-1-a": {"NaN"}, "read-1-b": {"0"}, "read-2-L": {"120"}, "read-2-a": {"1"}, "read-2-b": {"1"}, "read-3-L": {"5"},
	}
	code, body := s.get(newCard + "?" + q.Encode())
	require.Equal(t, http.StatusOK, code)
	assert.Equal(t, "ΔE 2.04 seen at a glance – no target at this angle –", wordsOf(body))

	bare := poured(t, func(f *formula.Formula) { f.Target = nil })
	_, body = bare.get(newCard + "?" + q.Encode())
	assert.Contains(t, body, "no target")
	assert.NotContains(t, body, "ΔE")
}

func TestEmptyWalls(t *testing.T) {
	s := openWall(t, nil)
	for path, says := range map[string]string{"/cards": "The wall is empty", "/cards/" + strconv.FormatInt(s.formula.ID, 10): "No card of this colour yet"} {
		code, body := s.get(path)
		assert.Equal(t, http.StatusOK, code)
		assert.Contains(t, body, says)
	}
}

func TestWallHoldsTheWholeFamilyNewestFirst(t *testing.T) {
	s := poured(t, nil)
	first := s.kept(newCard, sprayed(), nil)
	variant, _, err := s.store.CreateVariant(t.Context(), formula.Formula{
		Name: "Pistachio gate", Alternate: "lighter", System: s.formula.System, Coat: formula.Base, Finish: formula.FinishSolid,
		Parent: &formula.Origin{FormulaID: s.formula.ID, Reason: "faded roof"},
	}, formula.Revision{Lines: s.lines(), By: "Ann"})
	require.NoError(t, err)
	second, err := s.store.SaveCard(t.Context(), card.Card{FormulaID: variant.ID, SprayedAt: s.now.Add(time.Hour), Decision: card.No}, "Ann")
	require.NoError(t, err)
	for _, path := range []string{"/cards", "/cards/" + strconv.FormatInt(s.formula.ID, 10), "/cards/" + strconv.FormatInt(variant.ID, 10)} {
		_, body := s.get(path)
		newer, older := strings.Index(body, `"`+cardHref(second.ID)+`"`), strings.Index(body, `"`+cardHref(first.ID)+`"`)
		assert.True(t, newer >= 0 && newer < older, "%s: %d, %d", path, newer, older)
		assert.Contains(t, body, "Pistachio gate, lighter")
	}
	code, body := s.get(cardHref(second.ID)) // a card of no batch
	assert.Equal(t, http.StatusOK, code)
	assert.NotContains(t, body, "Tint the cup")
	code, _ = s.get(cardHref(second.ID) + "/edit")
	assert.Equal(t, http.StatusOK, code)
}

func (s *wallShop) lines() []formula.Line {
	rev, err := s.store.LatestRevision(s.t.Context(), s.formula.ID)
	require.NoError(s.t, err)
	return rev.Lines
}

func TestAbsentCards(t *testing.T) {
	s := poured(t, nil)
	c := s.kept(newCard, sprayed(), nil)
	for _, path := range []string{
		"/card/999", "/card/0", "/card/-1", "/card/x", "/card/999/edit", "/card/99999999999999999999", "/card/999/photo", cardHref(c.ID) + "/photo",
		"/cards/999", "/cards/x", "/batch/none/card", "/batch/%00/card", "/batch/" + strings.Repeat("x", 5000) + "/card",
	} {
		code, body := s.get(path)
		assert.Equal(t, http.StatusNotFound, code, "%s: %s", path[:min(40, len(path))], wordsOf(body))
	}
	for _, path := range []string{"/cards?from=-1", "/cards?from=x", "/cards?from=999999", "/cards?from=99999999999999999999"} {
		code, _ := s.get(path)
		assert.Equal(t, http.StatusOK, code, path)
	}
}

// Whatever is sent, it is refused in a sentence beside its field, and what was typed is still there.
func TestBadCardsAreRefusedWithTheirWords(t *testing.T) {
	long := strings.Repeat("a note that does not end ", 1<<20/25)
	cases := map[string]struct {
		set   url.Values
		photo []byte
		says  string
	}{
		"absurd Lab":              {url.Values{"read-0-L": {"5000"}}, nil, "of the colour is 5000: it must be from 0 to 100"},
		"below black":             {url.Values{"read-0-L": {"-3"}}, nil, "of the colour is -3"},
		"brighter than flake":     {url.Values{"read-2-L": {"300"}, "read-2-a": {"0"}, "read-2-b": {"0"}}, nil, "must be from 0 to 200"},
		"not a number":            {url.Values{"read-0-a": {"NaN"}}, nil, "is not a number"},
		"endless":                 {url.Values{"read-0-b": {"Inf"}}, nil, "is not a number"},
		"an exponent":             {url.Values{"read-0-b": {"1e400"}}, nil, "is not a number"},
		"a figure missing":        {url.Values{"read-1-L": {"50"}, "read-1-a": {"2"}}, nil, "b* is missing"},
		"a megabyte of notes":     {url.Values{"notes": {long}}, nil, "longer than 5000 characters"},
		"a megabyte of gun":       {url.Values{"gun": {long}}, nil, "longer than 200 characters"},
		"a line break in a field": {url.Values{"size": {"10\n20"}}, nil, "control character"},
		"bytes that are no text":  {url.Values{"by": {"Mi\xffrek"}}, nil, "A character was lost"},
		"coats in words":          {url.Values{"coats": {"two"}}, nil, "no whole number"},
		"coats below none":        {url.Values{"coats": {"-2"}}, nil, "-2 coats are not possible"},
		"a thousand coats":        {url.Values{"coats": {"1000"}}, nil, "1000 coats are not possible"},
		"a verdict far off":       {url.Values{"off-0-0-2": {"9"}}, nil, "beyond much"},
		"a verdict in words":      {url.Values{"off-0-0-2": {"purple"}}, nil, "none of the seven"},
		"a decision of its own":   {url.Values{"decision": {"<script>alert(1)</script>"}}, nil, "is no decision"},
		"a text as photo":         {nil, []byte("no photo at all"), "no photo that can be read"},
		"an empty photo":          {nil, []byte{}, "The photo is empty"},
		"a torn photo":            {nil, photoOf(t, "jpeg", 300, 200)[:900], "damaged"},
		"a GIF":                   {nil, []byte("GIF89a\x01\x00\x01\x00\x80\x00\x00\x00\x00\x00\xff\xff\xff!\xf9\x04\x00\x00\x00\x00\x00,\x00\x00\x00\x00\x01\x00\x01\x00\x00\x02\x02D\x01\x00;"), "no photo that can be read"},
		"a bomb":                  {nil, pngHead(60000, 60000), "60000 × 60000 points"},
		"more than 8 MB":          {nil, append(photoOf(t, "jpeg", 30, 20), make([]byte, 8<<20)...), "the most is 8 MB"},
	}
	s := poured(t, nil)
	old := s.kept(newCard, sprayed(), nil)
	for name, tc := range cases {
		for _, path := range []string{newCard, cardHref(old.ID) + "/edit"} {
			t.Run(name+" "+path, func(t *testing.T) {
				v := sprayed()
				v.Set("undercoat", "κλαρό ٣ 灰色 <b>&")
				for field, values := range tc.set {
					v[field] = values
				}
				code, body, _ := s.post(path, v, tc.photo)
				require.Equal(t, http.StatusUnprocessableEntity, code)
				assert.Contains(t, wordsOf(body), tc.says)
				assert.Contains(t, body, `class="problem"`)
				for field, values := range v {
					if slices.Contains([]string{"by", "undercoat", "size", "gun", "pressure", "distance", "reduction", "notes"}, field) || strings.HasPrefix(field, "read-") {
						assert.True(t, strings.Contains(html.UnescapeString(body), strings.ToValidUTF8(values[0], "�")), "the words of %s are gone", field)
					}
				}
				assert.NotContains(t, body, "<script>alert", "words are words")
			})
		}
	}
	all, err := s.store.Cards(t.Context(), 10, 0)
	require.NoError(t, err)
	assert.Len(t, all, 1, "nothing refused was kept")
	history, err := s.store.CardHistory(t.Context(), old.ID)
	require.NoError(t, err)
	assert.Len(t, history, 1)
}

func TestBadStepsAreRefusedWithTheirWords(t *testing.T) {
	s := poured(t, func(f *formula.Formula) { f.Coat = formula.Mid })
	nine := url.Values{}
	for n := 1; n <= 9; n++ {
		nine.Set(stepName(n), "nearly")
	}
	for name, tc := range map[string]struct {
		set  url.Values
		says string
	}{
		"nine steps":          {nine, "A stepped panel has 1 to 4 mid coats"},
		"a word of its own":   {url.Values{"step-1": {"purple"}}, "none of the words"},
		"a long word":         {url.Values{"own-1": {strings.Repeat("ы", 300)}}, "longer than 200 characters"},
		"a ninth is chosen":   {url.Values{"step-1": {"nearly"}, "chosen": {"9"}}, "not on the panel"},
		"decided, none right": {url.Values{"step-1": {"nearly"}, "chosen": {""}}, "No step is chosen"},
	} {
		t.Run(name, func(t *testing.T) {
			v := sprayed()
			for field, values := range tc.set {
				v[field] = values
			}
			code, body, _ := s.post(newCard, v, nil)
			require.Equal(t, http.StatusUnprocessableEntity, code)
			assert.Contains(t, wordsOf(body), tc.says)
			assert.Contains(t, body, "in the shade")
			assert.Contains(t, body, html.EscapeString(v.Get("own-1")))
		})
	}
}

func TestForeignScriptsAreKept(t *testing.T) {
	s := poured(t, nil)
	v := sprayed()
	v.Set("undercoat", "γκρι ٣ — 灰色 🎨")
	v.Set("by", "Żółć ﷽")
	c := s.kept(newCard, v, nil)
	assert.Equal(t, "γκρι ٣ — 灰色 🎨", c.Undercoat)
	_, body := s.get(cardHref(c.ID))
	assert.Contains(t, body, "Żółć ﷽")
}

func TestTooMuchForACard(t *testing.T) {
	s := poured(t, nil)
	v := sprayed()
	v.Set("notes", strings.Repeat("x", 26<<20))
	code, _, _ := s.post(newCard, v, nil)
	assert.Equal(t, http.StatusRequestEntityTooLarge, code)
	req := httptest.NewRequest(http.MethodPost, newCard, strings.NewReader("notes="+strings.Repeat("x", 3<<20)))
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	code, _, _ = s.send(req)
	assert.Equal(t, http.StatusRequestEntityTooLarge, code)
	for _, kind := range []string{"multipart/form-data", "multipart/form-data; boundary=x", "application/json", ""} {
		req := httptest.NewRequest(http.MethodPost, newCard, strings.NewReader("{--x"))
		req.Header.Set("Content-Type", kind)
		code, _, _ := s.send(req)
		assert.Equal(t, http.StatusUnprocessableEntity, code, kind)
	}
	all, err := s.store.Cards(t.Context(), 10, 0)
	require.NoError(t, err)
	assert.Empty(t, all, "what is no form is no empty card")
}

func TestPhotoIsPackedAnewAndServed(t *testing.T) {
	s := poured(t, nil)
	secret := withExif(photoOf(t, "jpeg", 3000, 1000), 6, "GPS 52.1 N 4.3 E")
	c := s.kept(newCard, sprayed(), secret)
	require.NotZero(t, c.Photo)
	code, body, head := s.send(httptest.NewRequest(http.MethodGet, photoHref(c), nil))
	require.Equal(t, http.StatusOK, code)
	assert.Equal(t, "image/jpeg", head.Get("Content-Type"))
	assert.Equal(t, "nosniff", head.Get("X-Content-Type-Options"))
	assert.Contains(t, head.Get("Cache-Control"), "immutable")
	assert.NotContains(t, body, "GPS")
	assert.NotContains(t, body, "Exif")
	size, kind, err := image.DecodeConfig(strings.NewReader(body))
	require.NoError(t, err)
	assert.Equal(t, "jpeg", kind)
	assert.Equal(t, [2]int{666, 2000}, [2]int{size.Width, size.Height}, "upright, and its long edge 2000 points")

	_, _, head = s.send(httptest.NewRequest(http.MethodGet, cardHref(c.ID)+"/photo", nil))
	assert.NotContains(t, head.Get("Cache-Control"), "immutable", "an address that does not name the photo may show another one day")
	_, page := s.get(cardHref(c.ID))
	assert.Contains(t, page, html.EscapeString(photoHref(c)))

	edit := cardHref(c.ID) + "/edit"
	assert.Equal(t, c.Photo, s.kept(edit, sprayed(), nil).Photo, "a change of words keeps the photo")
	other := s.kept(edit, sprayed(), photoOf(t, "png", 40, 30))
	assert.NotEqual(t, c.Photo, other.Photo)
	v := sprayed()
	v.Set("photo_off", "yes")
	assert.Zero(t, s.kept(edit, v, nil).Photo)
}

// No browser lets a page fill in a file again, so a sound photo outlives a refusal of the words beside it.
func TestPhotoOutlivesARefusal(t *testing.T) {
	s := poured(t, nil)
	v := sprayed()
	v.Set("coats", "two")
	code, body, _ := s.post(newCard, v, photoOf(t, "jpeg", 40, 30))
	require.Equal(t, http.StatusUnprocessableEntity, code)
	assert.Contains(t, body, "A photo is kept with this card")
	_, rest, ok := strings.Cut(body, `name="kept_photo" value="`)
	require.True(t, ok)
	number, _, _ := strings.Cut(rest, `"`)
	v = sprayed()
	v.Set("kept_photo", number)
	assert.Equal(t, number, strconv.FormatInt(s.kept(newCard, v, nil).Photo, 10))
	for _, lie := range []string{"999", "-1", "x", "99999999999999999999"} {
		v.Set("kept_photo", lie)
		assert.Zero(t, s.kept(newCard, v, nil).Photo, "a photo that is not there is none")
	}
}

// A corner that is told apart comes out where each of the eight orientations puts it: the first row of the picture is
// seen at the top, right and so on, the first column at the left and so on (Exif 2.32, tag 0x0112; from memory).
func TestUpright(t *testing.T) {
	const w, h = 4, 2
	p := image.NewRGBA(image.Rect(0, 0, w, h))
	p.Set(0, 0, color.White)
	p.Set(1, 0, color.Gray{Y: 100})
	for turn, want := range map[int][2]image.Point{
		1: {{0, 0}, {1, 0}}, 2: {{3, 0}, {2, 0}}, 3: {{3, 1}, {2, 1}}, 4: {{0, 1}, {1, 1}},
		5: {{0, 0}, {0, 1}}, 6: {{1, 0}, {1, 1}}, 7: {{1, 3}, {1, 2}}, 8: {{0, 3}, {0, 2}}, 0: {{0, 0}, {1, 0}}, 99: {{0, 0}, {1, 0}},
	} {
		got := upright(p, turn)
		assert.Equal(t, uint8(255), got.RGBAAt(want[0].X, want[0].Y).R, "turn %d", turn)
		assert.Equal(t, uint8(100), got.RGBAAt(want[1].X, want[1].Y).R, "turn %d", turn)
	}
}

func TestReducedKeepsTheMean(t *testing.T) {
	p := image.NewGray(image.Rect(10, 10, 10+4000, 10+4)) // stripes of black and white, not at the origin
	for x := 10; x < 4010; x += 2 {
		for y := 10; y < 14; y++ {
			p.SetGray(x, y, color.Gray{Y: 255})
		}
	}
	small := reduced(p)
	assert.Equal(t, image.Pt(2000, 2), small.Rect.Size())
	for x := range 2000 {
		require.InDelta(t, 128, small.RGBAAt(x, 1).R, 1)
	}
}

func FuzzKeepable(f *testing.F) {
	f.Add(withExif(photoOf(f, "jpeg", 8, 6), 6, "x"))
	f.Add(photoOf(f, "png", 8, 6))
	f.Add(pngHead(1<<30, 1<<30))
	f.Add([]byte("\xff\xd8\xff\xe1\x00\x10Exif\x00\x00II*\x00\xff\xff\xff\xff"))
	f.Fuzz(func(t *testing.T, raw []byte) {
		if size, _, err := image.DecodeConfig(bytes.NewReader(raw)); err == nil && size.Width*size.Height > 1<<20 {
			return // sound and large: only slow
		}
		data, sentence := keepable(raw)
		if (data == nil) == (sentence == "") {
			t.Fatalf("neither or both of a photo and a sentence: %q", sentence)
		}
	})
}

func photoOf(tb testing.TB, kind string, w, h int) []byte {
	tb.Helper()
	p := image.NewRGBA(image.Rect(0, 0, w, h))
	for i := range p.Pix {
		p.Pix[i] = uint8(i * 7)
	}
	var b bytes.Buffer
	if kind == "png" {
		require.NoError(tb, png.Encode(&b, p))
	} else {
		require.NoError(tb, jpeg.Encode(&b, p, nil))
	}
	return b.Bytes()
}

// withExif puts an orientation and some words into a JPEG as a camera does.
func withExif(photo []byte, turn uint16, words string) []byte {
	tiff := []byte("MM\x00\x2a\x00\x00\x00\x08\x00\x01\x01\x12\x00\x03\x00\x00\x00\x01")
	tiff = binary.BigEndian.AppendUint16(tiff, turn)
	tiff = append(tiff, 0, 0, 0, 0, 0, 0)
	part := append([]byte("Exif\x00\x00"), append(tiff, words...)...)
	out := append([]byte{0xff, 0xd8, 0xff, 0xe1}, binary.BigEndian.AppendUint16(nil, uint16(len(part)+2))...)
	return append(append(out, part...), photo[2:]...)
}

// pngHead is a PNG that says it is large and holds nothing.
func pngHead(w, h uint32) []byte {
	var b bytes.Buffer
	_ = png.Encode(&b, image.NewGray(image.Rect(0, 0, 1, 1)))
	raw := b.Bytes()
	binary.BigEndian.PutUint32(raw[16:], w)
	binary.BigEndian.PutUint32(raw[20:], h)
	binary.BigEndian.PutUint32(raw[29:], crc(raw[12:29]))
	return raw
}

// crc is that of PNG chunks (ISO/IEC 15948, 5.5), bit by bit.
func crc(data []byte) uint32 {
	c := ^uint32(0)
	for _, b := range data {
		c ^= uint32(b)
		for range 8 {
			if c&1 == 1 {
				c = c>>1 ^ 0xedb88320
			} else {
				c >>= 1
			}
		}
	}
	return ^c
}

// wordsOf returns the text of a page without its markup.
func wordsOf(page string) string {
	var b strings.Builder
	inTag := false
	for _, r := range page {
		switch {
		case r == '<':
			inTag = true
			b.WriteByte(' ')
		case r == '>':
			inTag = false
		case !inTag:
			b.WriteRune(r)
		}
	}
	return strings.Join(strings.Fields(html.UnescapeString(b.String())), " ")
}
