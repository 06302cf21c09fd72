package web

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pigment"
	"pourbook/internal/pour"
	"pourbook/internal/store"
)

// mixed returns the spectrum of a mixture of the wall's two toners.
func (s *wallShop) mixed(white, green float64) card.Curve {
	s.t.Helper()
	var toners []formula.Toner
	for _, c := range s.state.Plan.Components {
		toners = append(toners, c.Toner())
	}
	p, _, err := s.store.Palette(s.t.Context(), toners)
	require.NoError(s.t, err)
	require.NotNil(s.t, p)
	spectrum, err := p.Predict([]float64{white, green}, pigment.Coat{})
	require.NoError(s.t, err)
	return card.Curve{Geometry: "45/0", Start: 400, Step: 10, Values: spectrum.Values()}
}

// sprays keeps a card of the cup as it is, with a spectrum where one is given.
func (s *wallShop) sprays(curve *card.Curve) card.Card {
	s.t.Helper()
	c, err := s.store.SaveCard(s.t.Context(), card.Card{
		Batch: wallBatch, BatchSeq: s.state.Seq, FormulaID: s.formula.ID, Cleared: true, Dry: true, Spectrum: curve,
		Verdicts: []card.Verdict{{Light: card.Daylight, Side: card.Face, Off: [5]int{2, 0, 0, 0, 0}}},
	}, "Mirek")
	require.NoError(s.t, err)
	return c
}

// takesOver gives the cup to another tablet.
func (s *wallShop) takesOver(device string) {
	s.t.Helper()
	command := s.command(pour.TakenOver{Device: device, Name: device})
	command.Device = device
	state, err := s.store.Record(s.t.Context(), wallBatch, command)
	require.NoError(s.t, err)
	s.state = state
}

// tap sends a form of the cup from a tablet that takes the cup over for it.
func (s *wallShop) tap(values url.Values) (int, string) {
	s.t.Helper()
	const tablet = "6f1c1f2e-58e5-4a55-9d0c-2b2f3f0a7c11"
	s.takesOver(tablet)
	values.Set("id", "tap-of-"+strconv.Itoa(s.state.Seq))
	values.Set("seen", strconv.Itoa(s.state.Decided))
	values.Set("epoch", strconv.Itoa(s.state.Epoch))
	req := httptest.NewRequest(http.MethodPost, "/batch/"+wallBatch+"/tap", strings.NewReader(values.Encode()))
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.AddCookie(&http.Cookie{Name: cookieDevice, Value: tablet})
	code, body, _ := s.send(req)
	state, err := s.store.State(s.t.Context(), wallBatch)
	require.NoError(s.t, err)
	s.state = state
	s.takesOver("tablet")
	return code, body
}

const tintPath = "/batch/" + wallBatch + "/tint"

// What is missing for advice is said one thing after another, with what to do about it.
func TestTintSaysWhatIsMissing(t *testing.T) {
	s := poured(t, nil)
	s.atBench()
	_, body := s.get(tintPath)
	assert.Contains(t, wordsOf(body), "There is no card of this cup yet")
	s.sprays(nil)
	_, body = s.get(tintPath)
	assert.Contains(t, wordsOf(body), "There are no colour data of Chalk and Verdigris")
	assert.Contains(t, body, `name="toner"`, "anything may still be added by hand")

	s.knowsColour()
	_, body = s.get(tintPath)
	words := wordsOf(body)
	assert.Contains(t, words, "No spectrum of the target was measured")
	assert.Contains(t, body, "/formula/"+strconv.FormatInt(s.formula.ID, 10)+"/target")
	assert.Contains(t, words, "A cautious first step by eye")
	assert.Contains(t, words, "Verdigris", "too light: the green one darkens")
	assert.Contains(t, words, "Invented data say nothing of real paint")

	require.NoError(t, s.store.SaveFormulaSpectrum(t.Context(), s.formula.ID, store.FormulaSpectrum{Curve: s.mixed(60, 40)}))
	_, body = s.get(tintPath)
	assert.Contains(t, wordsOf(body), "That card has no spectrum")
	curve := s.mixed(60, 40)
	s.sprays(&curve)
	_, body = s.get(tintPath)
	assert.Contains(t, wordsOf(body), "There is nothing to add")
}

// The whole way: a measured card, a suggestion, one tap, the pours, the next card held against what was promised.
func TestTintFromCardToCard(t *testing.T) {
	s := poured(t, nil)
	s.atBench()
	s.knowsColour()
	require.NoError(t, s.store.SaveFormulaSpectrum(t.Context(), s.formula.ID, store.FormulaSpectrum{Curve: s.mixed(55, 45)}))
	first := s.mixed(60, 40)
	s.sprays(&first)
	code, body := s.get(tintPath)
	require.Equal(t, http.StatusOK, code)
	words := wordsOf(body)
	for _, part := range []string{"What the card asks for", "Daylight (D65)", "Filament lamp (A)", "Shop tube (F11)", "From the target, now and then", "Brings the card within"} {
		assert.Contains(t, words, part)
	}
	assert.Contains(t, body, "plane-arrow")
	form := regexp.MustCompile(`name="toner" value="(\d+)">\s*<input type="hidden" name="grams" value="([\d.]+)"`).FindStringSubmatch(body)
	require.NotNil(t, form, body)
	assert.Equal(t, strconv.FormatInt(s.state.Components[1].TonerID, 10), form[1], "green is what is missing")
	grams, err := strconv.ParseFloat(form[2], 64)
	require.NoError(t, err)

	// The very same as computed by hand: the card is what the toners' data say, so the anchor changes nothing.
	apart := func(white, green float64) float64 {
		e, err := worstOver(s.mixed(white, green), s.mixed(55, 45))
		require.NoError(t, err)
		return e
	}
	require.LessOrEqual(t, apart(36, 24+grams), 0.3)
	require.Greater(t, apart(36, 24+grams-0.1), 0.3, "a division less would not do")

	code, _ = s.tap(url.Values{"action": {"tint"}, "toner": {form[1]}, "grams": {form[2]}})
	require.Equal(t, http.StatusSeeOther, code)
	events, err := s.store.Events(t.Context(), wallBatch)
	require.NoError(t, err)
	decided, ok := events[len(events)-2].Body.(pour.Corrected)
	require.True(t, ok)
	require.NotNil(t, decided.DeltaE, "what was promised is kept")
	assert.InDelta(t, apart(36, 24+grams), *decided.DeltaE, 1e-6)

	step := s.state.Todo[0]
	s.does(pour.Poured{Step: step.No, Attempt: 1, Key: step.Key, Reading: s.state.Last + step.Aim})
	s.does(pour.Stirred{})
	_, body = s.get(tintPath)
	assert.Contains(t, wordsOf(body), "Paint has gone in since that card was sprayed")
	assert.NotContains(t, wordsOf(body), "What the card asks for")

	s.draw(10 * gram.Gram)
	second := s.mixed(36, 24+grams)
	c := s.sprays(&second)
	_, body = s.get("/card/" + strconv.FormatInt(c.ID, 10))
	figure := decimal(apart(36, 24+grams), 2)
	assert.Contains(t, wordsOf(body), "After the tint: predicted ΔE "+figure+", measured "+figure)
}

func TestTargetIsPasted(t *testing.T) {
	s := openWall(t, nil)
	path := "/formula/" + strconv.FormatInt(s.formula.ID, 10) + "/target"
	code, _ := s.get(path)
	assert.Equal(t, http.StatusOK, code)
	code, body, _ := s.post(path, url.Values{"spectrum": {""}}, nil)
	assert.Equal(t, http.StatusUnprocessableEntity, code)
	assert.Contains(t, wordsOf(body), "There is no spectrum")
	code, body, _ = s.post(path, url.Values{"spectrum": {"red"}, "source": {"left door"}}, nil)
	assert.Equal(t, http.StatusUnprocessableEntity, code)
	assert.Contains(t, body, "left door", "what was typed is kept")
	code, _, _ = s.post(path, url.Values{"spectrum": {spectrumText(func(float64) float64 { return 0.1842 })}, "source": {"left door"}}, nil)
	assert.Equal(t, http.StatusSeeOther, code)
	f, err := s.store.Formula(t.Context(), s.formula.ID)
	require.NoError(t, err)
	require.NotNil(t, f.Target)
	assert.Less(t, colour.DeltaE2000(colour.Lab{L: 50}, *f.Target), 0.05, "L* of Y 18.42 is 50.0")
	_, body = s.get(path)
	assert.Contains(t, wordsOf(body), "left door")
	code, _ = s.get("/formula/99/target")
	assert.Equal(t, http.StatusNotFound, code)
}

// A variant may take toners out: the weights that it is filled with give the target.
func TestVariantFromACard(t *testing.T) {
	s := poured(t, nil)
	s.knowsColour()
	first := s.mixed(60, 40)
	c := s.sprays(&first)
	path := "/card/" + strconv.FormatInt(c.ID, 10)
	code, body := s.get(path + "/variant")
	assert.Equal(t, http.StatusConflict, code)
	assert.Contains(t, wordsOf(body), "No spectrum of the target was measured")
	require.NoError(t, s.store.SaveFormulaSpectrum(t.Context(), s.formula.ID, store.FormulaSpectrum{Curve: s.mixed(70, 30)}))
	_, body = s.get(path)
	assert.Contains(t, body, path+"/variant")
	code, body = s.get(path + "/variant")
	require.Equal(t, http.StatusOK, code)
	assert.Contains(t, wordsOf(body), "Our variant of Pistachio gate")
	amounts := map[string]float64{}
	for _, m := range regexp.MustCompile(`(?s)name="toner"[^>]*?value="(Chalk|Verdigris)".*?name="amount"[^>]*?value="([\d.]+)"`).FindAllStringSubmatch(body, -1) {
		v, err := strconv.ParseFloat(m[2], 64)
		require.NoError(t, err)
		amounts[m[1]] = v
	}
	require.Len(t, amounts, 2, body)
	e, err := worstOver(s.mixed(amounts["Chalk"], amounts["Verdigris"]), s.mixed(70, 30))
	require.NoError(t, err)
	assert.LessOrEqual(t, e, 0.3)
	assert.Contains(t, body, "predicted.")

	plain := s.sprays(nil)
	code, _ = s.get("/card/" + strconv.FormatInt(plain.ID, 10) + "/variant")
	assert.Equal(t, http.StatusConflict, code)
}
