package web

import (
	"bytes"
	"fmt"
	"log/slog"
	"math"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/bench"
	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/scale"
	"pourbook/internal/store"
)

// knowsColour gives the two toners of the wall's shop colour data: a white, and a green. Both are made up.
func (s *wallShop) knowsColour() {
	s.t.Helper()
	for i, c := range s.state.Plan.Components {
		o := store.Optics{TonerID: c.TonerID, Source: "made up for a test", Invented: true}
		for j := range colour.Paint().Count {
			nm := colour.Paint().Wavelength(j)
			switch {
			case i == 0:
				o.K, o.S = append(o.K, 0.004), append(o.S, 1)
			case nm > 470 && nm < 560:
				o.K, o.S = append(o.K, 0.2), append(o.S, 0.3)
			default:
				o.K, o.S = append(o.K, 2), append(o.S, 0.3)
			}
		}
		require.NoError(s.t, s.store.SaveOptics(s.t.Context(), o))
	}
}

// atBench gives the shop a bench whose readings are typed, for the pages of the cup itself.
func (s *wallShop) atBench() {
	log, clock := slog.New(slog.DiscardHandler), func() time.Time { return s.now }
	b := bench.New("bench", scale.NewKeypad(gram.Balance{Division: 100 * gram.Milligram}), s.store, clock, log)
	s.handler = New(Config{Store: s.store, Bench: b, Typed: true, Now: clock, Log: log, Hosts: []string{"example.com"}})
}

// After an overshoot the screen says who would see it, once colour is known, and by how many per cent before.
func TestOvershootIsJudgedByColour(t *testing.T) {
	s := openWall(t, nil)
	s.atBench()
	s.does(pour.CupPlaced{Reading: 15 * gram.Gram, Cup: s.state.Cup})
	step, ok := s.state.Open()
	require.True(t, ok)
	s.does(pour.Poured{Step: step.No, Attempt: 1, Key: step.Key, Reading: (15 + 63) * gram.Gram})
	require.NotNil(t, s.state.Over)

	code, body := s.get("/batch/" + wallBatch)
	require.Equal(t, http.StatusOK, code)
	assert.NotContains(t, wordsOf(body), "ΔE")
	assert.Contains(t, wordsOf(body), "off at most")

	s.knowsColour()
	code, body = s.get("/batch/" + wallBatch)
	require.Equal(t, http.StatusOK, code)
	assert.Contains(t, wordsOf(body), "ΔE")
	assert.Contains(t, wordsOf(body), "not seen")
	assert.Contains(t, wordsOf(body), "exact", "the full rebalance needs no figure")
	assert.NotContains(t, wordsOf(body), "off at most")
}

func spectrumText(value func(nm float64) float64) string {
	var b strings.Builder
	for nm := 400.0; nm <= 700; nm += 10 {
		fmt.Fprintf(&b, "%g;%.4f\n", nm, value(nm))
	}
	return b.String()
}

func TestSpectrumOfACard(t *testing.T) {
	s := poured(t, nil)
	form := sprayed()
	form.Set("spectrum", spectrumText(func(float64) float64 { return 18.42 }))
	code, body, _ := s.post(newCard, form, nil)
	require.Equal(t, http.StatusUnprocessableEntity, code)
	assert.Contains(t, wordsOf(body), "look like per cent")
	assert.Contains(t, body, "18.42", "what was pasted is kept")

	form.Set("spectrum_as", "percent")
	c := s.kept(newCard, form, nil)
	require.NotNil(t, c.Spectrum)
	assert.InDelta(t, 0.1842, c.Spectrum.Values[7], 1e-9)
	m, ok := c.Main()
	require.True(t, ok)
	// L* of Y = 18.42 is 116 (0.1842)^(1/3) - 16 = 50.0 (CIE 15, 8.2.1); a grey has neither a* nor b*.
	assert.InDelta(t, 50.0, m.Lab.L, 0.01)
	assert.InDelta(t, 0, m.Lab.Chroma(), 0.02)

	path := "/card/" + strconv.FormatInt(c.ID, 10)
	_, body = s.get(path)
	assert.Contains(t, body, "Spectrum of the card")
	assert.Contains(t, wordsOf(body), "No spectrum of the target was measured")

	curve := card.Curve{Geometry: "45/0", Start: 400, Step: 10}
	for range 31 {
		curve.Values = append(curve.Values, 0.1842)
	}
	require.NoError(t, s.store.SaveFormulaSpectrum(t.Context(), s.formula.ID, store.FormulaSpectrum{Curve: curve}))
	_, body = s.get(path)
	for _, lamp := range []string{"D65", "F11", "Metamerism to Filament lamp (A)"} {
		assert.Contains(t, wordsOf(body), lamp)
	}
	assert.Contains(t, wordsOf(body), "0.00", "the same curve")

	_, body = s.get(path + "/edit")
	form = sprayed()
	form.Set("spectrum", c.Spectrum.Text())
	form.Set("decision", "no")
	_ = s.kept(path+"/edit", form, nil)
	kept, err := s.store.Card(t.Context(), c.ID)
	require.NoError(t, err)
	assert.Equal(t, c.Spectrum, kept.Spectrum, "untouched")
	form.Set("spectrum", "")
	_ = s.kept(path+"/edit", form, nil)
	kept, err = s.store.Card(t.Context(), c.ID)
	require.NoError(t, err)
	assert.Nil(t, kept.Spectrum)
	assert.Contains(t, body, "spectrum_file")
}

// A file of the instrument takes the place of what is in the field.
func TestSpectrumFromAFile(t *testing.T) {
	s := poured(t, nil)
	send := func(text string) (int, string, http.Header) {
		var body bytes.Buffer
		w := multipart.NewWriter(&body)
		for name, all := range sprayed() {
			require.NoError(t, w.WriteField(name, all[0]))
		}
		part, err := w.CreateFormFile("spectrum_file", "card.csv")
		require.NoError(t, err)
		_, err = part.Write([]byte(text))
		require.NoError(t, err)
		require.NoError(t, w.Close())
		req := httptest.NewRequest(http.MethodPost, newCard, &body)
		req.Header.Set("Content-Type", w.FormDataContentType())
		return s.send(req)
	}
	code, body, _ := send(strings.Repeat("0.3 ", 1<<15))
	assert.Equal(t, http.StatusUnprocessableEntity, code)
	assert.Contains(t, wordsOf(body), "more than 20000 characters")
	code, body, head := send("\ufeffnm;R\r\n" + strings.ReplaceAll(spectrumText(func(nm float64) float64 { return nm / 1000 }), ".", ","))
	require.Equal(t, http.StatusSeeOther, code, body)
	id, err := strconv.ParseInt(strings.TrimSuffix(strings.TrimPrefix(head.Get("Location"), "/card/"), "#saved"), 10, 64)
	require.NoError(t, err)
	c, err := s.store.Card(t.Context(), id)
	require.NoError(t, err)
	require.NotNil(t, c.Spectrum)
	assert.InDelta(t, 0.55, c.Spectrum.Values[15], 1e-9)
}

func TestColourDataOfAToner(t *testing.T) {
	s := openWall(t, nil)
	id := s.state.Plan.Components[0].TonerID
	path := "/shelf/" + strconv.FormatInt(id, 10) + "/colour"
	lines := func(k, scatters string) string {
		text := "nm K S\n"
		for nm := 400; nm <= 700; nm += 10 {
			text += fmt.Sprintf("%d %s %s\n", nm, k, scatters)
		}
		return text
	}
	send := func(data, source string) (int, string) {
		req := httptest.NewRequest(http.MethodPost, path, strings.NewReader(url.Values{"data": {data}, "source": {source}, "invented": {"yes"}}.Encode()))
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		code, body, _ := s.send(req)
		return code, body
	}
	for says, c := range map[string][2]string{
		"There are 0 wavelengths":            {"", "drawdowns"},
		"Line 2 is for 410 nm":               {strings.Replace(lines("1", "1"), "400 1 1\n", "", 1), "drawdowns"},
		"Line 33 is for 710 nm":              {lines("1", "1") + "710 1 1", "drawdowns"},
		"Line 2 has 2 figures":               {"nm K S\n400 1", "drawdowns"},
		"Say where the colour data are from": {lines("1", "1"), " "},
	} {
		code, body := send(c[0], c[1])
		assert.Equal(t, http.StatusUnprocessableEntity, code, says)
		assert.Contains(t, strings.ToLower(wordsOf(body)), strings.ToLower(says))
	}
	code, body := send(lines("-1", "1"), "drawdowns")
	assert.Equal(t, http.StatusUnprocessableEntity, code)
	assert.Contains(t, body, `id="data-problem"`)

	// K/S of 0.5 is a reflectance within the paint of 1.5 - √1.25 = 0.38197 (Kubelka and Munk 1931).
	code, _ = send(lines("0,5", "1"), "drawdowns")
	require.Equal(t, http.StatusSeeOther, code)
	kept, err := s.store.Optics(t.Context(), id)
	require.NoError(t, err)
	assert.Equal(t, 0.5, kept[id].K[30])
	assert.True(t, kept[id].Invented)
	_, body = s.get(path)
	assert.Contains(t, body, "400;0.5;1")
	read := store.Surface().Measured(0.38197)
	assert.Contains(t, wordsOf(body), "L* "+decimal(116*math.Cbrt(read)-16, 1))
	code, _ = s.get("/shelf/99/colour")
	assert.Equal(t, http.StatusNotFound, code)
}

// The pages of colour draw much; none of it by inline style or script, which the content security policy refuses.
func TestColourPagesObeyTheContentSecurityPolicy(t *testing.T) {
	s := poured(t, nil)
	s.atBench()
	s.knowsColour()
	require.NoError(t, s.store.SaveFormulaSpectrum(t.Context(), s.formula.ID, store.FormulaSpectrum{Curve: s.mixed(55, 45)}))
	curve := s.mixed(60, 40)
	c := s.sprays(&curve)
	found := s.looks(url.Values{"spectrum": {curve.Text()}, "system": {"Solvent base"}})
	s.found(found)
	for _, path := range []string{tintPath, "/card/" + strconv.FormatInt(c.ID, 10), "/match", found, "/formula/1/target", "/shelf/1/colour"} {
		code, body := s.get(path)
		require.Equal(t, http.StatusOK, code, path)
		assert.Contains(t, body, "<main", path)
		assert.NotRegexp(t, `<[^>]* style=`, body, path)
		assert.NotRegexp(t, `<script(?:[^>]*)>[^<]`, body, path)
		assert.NotRegexp(t, `<[^>]* on[a-z]+=`, body, path)
	}
}
