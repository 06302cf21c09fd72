package web

import (
	"bufio"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/pigment"
	"pourbook/internal/store"
)

// looks posts a colour and returns the address of its search.
func (s *wallShop) looks(values url.Values) string {
	s.t.Helper()
	code, body, head := s.post("/match", values, nil)
	require.Equal(s.t, http.StatusSeeOther, code, wordsOf(body))
	return head.Get("Location")
}

// found waits for a search to end and returns its page.
func (s *wallShop) found(path string) string {
	s.t.Helper()
	var body string
	require.Eventually(s.t, func() bool {
		_, body = s.get(path)
		return !strings.Contains(body, "<progress")
	}, 20*time.Second, 20*time.Millisecond)
	return body
}

// A colour that the shelf can make is made again: the closest formula is the one it came from, and a new formula has the
// parts that it was computed from.
func TestMatchFindsWhatTheColourIsMadeOf(t *testing.T) {
	s := openWall(t, nil)
	s.knowsColour()
	curve := s.mixed(70, 30)
	require.NoError(t, s.store.SaveFormulaSpectrum(t.Context(), s.formula.ID, store.FormulaSpectrum{Curve: curve}))
	body := s.found(s.looks(url.Values{"spectrum": {curve.Text()}, "system": {"Solvent base"}, "most": {"2"}}))
	words := wordsOf(body)
	assert.Contains(t, words, "Pistachio gate")
	assert.Contains(t, words, "its measured target")
	assert.Regexp(t, `Pistachio gate[^.]*base\s+0\.0[01]`, words)
	assert.NotContains(t, words, "seen at a glance", "a way that everybody sees is none")
	assert.Regexp(t, `Chalk\s+(699\.\d|700\.\d)`, words)
	assert.Regexp(t, `Verdigris\s+(299\.\d|300\.\d)`, words)
	assert.Contains(t, words, "Invented data say nothing of real paint")

	keep := regexp.MustCompile(`/match/[^"]+/keep\?way=1`).FindString(body)
	require.NotEmpty(t, keep)
	code, body := s.get(keep)
	require.Equal(t, http.StatusOK, code)
	assert.Contains(t, body, `value="Chalk"`)
	assert.Contains(t, wordsOf(body), "Not sprayed yet")
	code, _ = s.get(strings.Replace(keep, "way=1", "way=99", 1))
	assert.Equal(t, http.StatusNotFound, code)
}

func TestMatchFromFiguresFindsTheBookOnly(t *testing.T) {
	s := openWall(t, nil)
	s.knowsColour()
	form := url.Values{"lab_l": {"50"}, "lab_a": {"2,6772"}, "lab_b": {"−79.7751"}, "system": {"Solvent base"}}
	words := wordsOf(s.found(s.looks(form)))
	assert.Regexp(t, `Pistachio gate[^.]*base\s+0\.00`, words, "the very target of the formula")
	assert.Contains(t, words, "A new formula needs the spectrum")
	// Sharma, Wu and Dalal (2005), pair 1: ΔE00 2.0425.
	form.Set("lab_a", "0")
	form.Set("lab_b", "-82.7485")
	assert.Regexp(t, `base\s+2\.04`, wordsOf(s.found(s.looks(form))))
}

func TestMatchWithoutColourDataSaysSo(t *testing.T) {
	s := openWall(t, nil)
	words := wordsOf(s.found(s.looks(url.Values{"spectrum": {spectrumText(func(float64) float64 { return 0.3 })}, "system": {"Solvent base"}})))
	assert.Contains(t, words, "No toner of Solvent base on the shelf has colour data")
}

func TestBadMatches(t *testing.T) {
	s := openWall(t, nil)
	good := spectrumText(func(float64) float64 { return 0.3 })
	for says, form := range map[string]url.Values{
		"There is no colour to look for": {"system": {"Solvent base"}},
		"Choose the paint system":        {"spectrum": {good}, "system": {"Moon paint"}},
		"look like per cent":             {"spectrum": {strings.ReplaceAll(good, "0.3", "30")}, "system": {"Solvent base"}},
		"needs all three figures":        {"lab_l": {"50"}, "system": {"Solvent base"}},
		"Choose how many toners":         {"spectrum": {good}, "most": {"99"}, "system": {"Solvent base"}},
		"L of the colour is 150":         {"lab_l": {"150"}, "lab_a": {"0"}, "lab_b": {"0"}, "system": {"Solvent base"}},
	} {
		code, body, _ := s.post("/match", form, nil)
		assert.Equal(t, http.StatusUnprocessableEntity, code, says)
		assert.Contains(t, wordsOf(body), says)
	}
	for _, path := range []string{"/match/none", "/match/none/stream", "/match/none/keep"} {
		code, _ := s.get(path)
		assert.Equal(t, http.StatusNotFound, code, path)
	}
	code, _ := s.get("/match")
	assert.Equal(t, http.StatusOK, code)
}

// longSearch is a search over so many toners that it does not end by itself within a test.
func longSearch(t *testing.T, s *server) *search {
	t.Helper()
	var pigments []pigment.Pigment
	j := &search{system: "Solvent base", most: 5}
	for i := range 34 {
		p := pigment.Pigment{Name: string(rune('A'+i%26)) + string(rune('a'+i/26)), Grid: colour.Paint()}
		for k := range p.Grid.Count {
			p.K, p.S = append(p.K, 0.01+float64((i*7+k*3)%31)/20), append(p.S, 0.2+float64((i*5+k)%17)/20)
		}
		pigments = append(pigments, p)
		j.toners = append(j.toners, formula.Toner{ID: int64(i + 1), Name: p.Name})
	}
	palette, err := pigment.NewPalette(pigments, store.Surface())
	require.NoError(t, err)
	j.palette = &store.Palette{Palette: palette, Sources: []string{"made up for a test"}, Invented: true}
	values := make([]float64, 31)
	for i := range values {
		values[i] = 0.2 + float64(i)/100
	}
	j.curve = &card.Curve{Geometry: "45/0", Start: 400, Step: 10, Values: values}
	require.NoError(t, s.searches.add(j))
	ask, err := j.ask()
	require.NoError(t, err)
	go j.run(ask, s.Done)
	return j
}

// A search tells how far it is, ends when somebody stops it, and lets no more run than there are processors for.
func TestSearchIsFollowedAndStopped(t *testing.T) {
	shop := openWall(t, nil)
	s := newServer(Config{Store: shop.store, Now: func() time.Time { return shop.now }, Log: slog.New(slog.DiscardHandler), Hosts: []string{"127.0.0.1"}})
	web := httptest.NewServer(s.routes())
	defer web.Close()
	j := longSearch(t, s)
	other := longSearch(t, s)
	require.Error(t, s.searches.add(&search{palette: j.palette}), "two at a time")

	answer, err := http.Get(web.URL + "/match/" + j.id + "/stream")
	require.NoError(t, err)
	defer answer.Body.Close()
	lines := bufio.NewScanner(answer.Body)
	seen := ""
	for lines.Scan() && !strings.Contains(seen, "sets of toners tried") {
		seen += lines.Text() + "\n"
	}
	require.Contains(t, seen, "event: progress")
	require.True(t, j.running())

	stopped, err := http.Post(web.URL+"/match/"+j.id+"/stop", "application/x-www-form-urlencoded", nil)
	require.NoError(t, err)
	defer stopped.Body.Close()
	require.False(t, j.running())
	assert.True(t, j.stopped())
	for lines.Scan() {
		seen += lines.Text() + "\n"
	}
	assert.Contains(t, seen, "event: done")
	assert.True(t, other.running(), "the other goes on")
	other.stop.Store(true)
	<-other.finished
}

// A server that is to stop waits for no search.
func TestSearchEndsWithTheServer(t *testing.T) {
	shop := openWall(t, nil)
	done := make(chan struct{})
	s := newServer(Config{Store: shop.store, Now: func() time.Time { return shop.now }, Log: slog.New(slog.DiscardHandler), Done: done})
	j := longSearch(t, s)
	close(done)
	select {
	case <-j.finished:
	case <-time.After(20 * time.Second):
		t.Fatal("it runs on")
	}
	assert.True(t, j.stopped())
}
