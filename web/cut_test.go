package web

import (
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/formula"
)

// A cut of half the strength has the volume and the price of both halves: 50 g at 1.0 g/ml and 50 g at 2.0 g/ml fill 75 ml.
func TestMixedToner(t *testing.T) {
	strong := formula.Toner{Name: "Soot", Density: 1, PerLitre: 8000, Strength: formula.Strong}
	base := formula.Toner{Name: "Binder", Density: 2, PerLitre: 4000}
	cut := mixedToner(strong, base, 0.5)
	assert.Equal(t, "Soot cut to 50 % in Binder", cut.Name)
	assert.InDelta(t, 100.0/75, cut.Density, 1e-12)
	// 50 ml at 80.00 and 25 ml at 40.00 a litre are 5.00 for 75 ml
	assert.EqualValues(t, 6667, cut.PerLitre)
	assert.NotEqual(t, formula.Strong, cut.Strength)
}

// Twenty grams of a formula with a trace of a strong toner cannot be weighed; the cut toner that is offered makes it possible.
func TestUseACutToner(t *testing.T) {
	s := stocked(t)
	s.handler = New(Config{Store: s.store, Typed: true, Now: func() time.Time { return shopTime }, Log: slog.New(slog.DiscardHandler)})
	toners := map[string]formula.Toner{}
	for _, name := range []string{"Chalk", "Soot"} {
		toner, err := s.store.TonerByName(t.Context(), "Solvent base", name)
		require.NoError(t, err)
		toners[name] = toner
	}
	f, _, err := s.store.CreateFormula(t.Context(),
		formula.Formula{Name: "Harbour fog", System: "Solvent base", Coat: formula.Base, Finish: formula.FinishSolid},
		formula.Revision{Lines: []formula.Line{{Toner: toners["Chalk"], Mass: 995_000}, {Toner: toners["Soot"], Mass: 5_000}}})
	require.NoError(t, err)
	path := formulaHref(f.ID)
	path = "/mix/" + path[strings.LastIndex(path, "/")+1:]
	first := s.do(httptest.NewRequest(http.MethodGet, "http://127.0.0.1"+path+"?amount=40&unit=g&of=colour", nil))
	require.Equal(t, http.StatusOK, first.Code)
	require.Contains(t, first.page, "Use it", first.says())
	_, rest, _ := strings.Cut(first.page, "cut=")
	param, err := url.QueryUnescape(rest[:strings.IndexAny(rest, `&"`)])
	require.NoError(t, err)

	second := s.do(httptest.NewRequest(http.MethodGet, "http://127.0.0.1"+path+"?amount=40&unit=g&of=colour&cut="+url.QueryEscape(param), nil))
	require.Equal(t, http.StatusOK, second.Code, second.says())
	assert.Contains(t, second.says(), "Make Soot cut to")
	assert.NotContains(t, second.says(), "under 5 divisions")

	for _, wrong := range []string{"x", "t1~NaN~t2", "t1~0~t2", "t1~100~t2", "t999~10~t1", "t1~10~t1", "~~"} {
		bad := s.do(httptest.NewRequest(http.MethodGet, "http://127.0.0.1"+path+"?amount=40&unit=g&cut="+url.QueryEscape(wrong), nil))
		assert.Equal(t, http.StatusUnprocessableEntity, bad.Code, wrong)
	}
}
