package web

import (
	"log/slog"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/bench"
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
	assert.NotContains(t, wordsOf(body), "off at most")
}
