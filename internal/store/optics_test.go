package store

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/pour"
)

// flat is a toner of one K and one S at every wavelength.
func flat(k, s float64) Optics {
	o := Optics{Source: "made up for a test", Invented: true}
	for range colour.Paint().Count {
		o.K, o.S = append(o.K, k), append(o.S, s)
	}
	return o
}

func grey(value float64) card.Curve {
	c := card.Curve{Geometry: "45/0", Start: 400, Step: 10}
	for range 31 {
		c.Values = append(c.Values, value)
	}
	return c
}

func TestOpticsRoundTrip(t *testing.T) {
	s := openBook(t)
	toners := shelve(t, s, solvent, "White", "Black", "Flake")
	white, black := flat(0.01, 1), flat(2, 0.1)
	white.TonerID, black.TonerID = toners[0].ID, toners[1].ID
	require.NoError(t, s.SaveOptics(ctx, white))
	require.NoError(t, s.SaveOptics(ctx, black))
	black.Source, black.Invented = "drawdowns of March", false
	require.NoError(t, s.SaveOptics(ctx, black), "once more, in place of the first")

	got, err := s.Optics(ctx, toners[0].ID, toners[1].ID, toners[2].ID, 99)
	require.NoError(t, err)
	require.Len(t, got, 2)
	assert.False(t, got[black.TonerID].UpdatedAt.IsZero())
	black.UpdatedAt = got[black.TonerID].UpdatedAt
	assert.Equal(t, black, got[black.TonerID])

	p, without, err := s.Palette(ctx, toners[:2])
	require.NoError(t, err)
	assert.Empty(t, without)
	assert.Equal(t, []string{"White", "Black"}, p.Names())
	assert.True(t, p.Invented, "one of the two is")
	assert.Equal(t, 1, p.Index(black.TonerID))
	p, without, err = s.Palette(ctx, toners)
	require.NoError(t, err)
	assert.Nil(t, p)
	assert.Equal(t, []string{"Flake"}, without)
	_, _, err = s.Palette(ctx, []formula.Toner{toners[0], toners[0]})
	assert.NotEmpty(t, Sentence(err))
}

func TestBadOptics(t *testing.T) {
	s := openBook(t)
	toner := shelve(t, s, solvent, "White")[0]
	for field, spoil := range map[string]func(*Optics){
		"k":      func(o *Optics) { o.K = o.K[1:] },
		"s":      func(o *Optics) { o.S[3] = math.NaN() },
		"source": func(o *Optics) { o.Source = "  " },
	} {
		o := flat(0.1, 1)
		o.TonerID = toner.ID
		spoil(&o)
		assert.Equal(t, []string{field}, problems(t, s.SaveOptics(ctx, o)))
	}
	o := flat(0.1, 1)
	o.TonerID = 99
	require.ErrorIs(t, s.SaveOptics(ctx, o), ErrNotFound)
	got, err := s.Optics(ctx, toner.ID)
	require.NoError(t, err)
	assert.Empty(t, got, "nothing that is wrong was kept")
}

// The colour of a cup is 0 from its own formula, whatever the size of the cup, and there is none with a toner unknown.
func TestColourOfACup(t *testing.T) {
	s := openBook(t)
	toners := shelve(t, s, solvent, "White", "Black", "Flake")
	for i, o := range []Optics{flat(0.01, 1), flat(2, 0.1)} {
		o.TonerID = toners[i].ID
		require.NoError(t, s.SaveOptics(ctx, o))
	}
	state := pour.State{Components: []pour.Component{pour.ComponentOf(toners[0], 90_000), pour.ComponentOf(toners[1], 10_000)}}
	aim, err := s.ColourOf(ctx, state)
	require.NoError(t, err)
	require.NotNil(t, aim)
	e, _ := aim.Distance([]float64{9, 1})
	assert.InDelta(t, 0, e, 1e-9)
	e, gradient := aim.Distance([]float64{9, 1.2})
	assert.Greater(t, e, 0.3)
	assert.Positive(t, gradient[1], "more black is further off")

	reducer := toners[2]
	reducer.Kind = formula.Reducer
	state.Components = append(state.Components, pour.ComponentOf(reducer, 1000))
	aim, err = s.ColourOf(ctx, state)
	require.NoError(t, err)
	assert.NotNil(t, aim, "what evaporates has no part in the colour")
	state.Components = append(state.Components, pour.ComponentOf(toners[2], 0))
	aim, err = s.ColourOf(ctx, state)
	require.NoError(t, err)
	assert.Nil(t, aim, "a wrong toner of which nothing is known")
}

func TestSpectrumOfFormulaAndCard(t *testing.T) {
	s := openBook(t)
	f, r := gate(t, s)
	_, err := s.FormulaSpectrum(ctx, f.ID)
	require.ErrorIs(t, err, ErrNotFound)
	curve := grey(1)
	require.NoError(t, s.SaveFormulaSpectrum(ctx, f.ID, FormulaSpectrum{Curve: curve, Source: " left  door ", By: "Ada"}))
	got, err := s.FormulaSpectrum(ctx, f.ID)
	require.NoError(t, err)
	assert.Equal(t, curve, got.Curve)
	assert.Equal(t, "left door", got.Source)
	kept, err := s.Formula(ctx, f.ID)
	require.NoError(t, err)
	require.NotNil(t, kept.Target)
	assert.InDelta(t, 100, kept.Target.L, 0.01, "the perfect diffuser, by definition")
	require.ErrorIs(t, s.SaveFormulaSpectrum(ctx, 99, FormulaSpectrum{Curve: curve}), ErrNotFound)
	assert.Equal(t, []string{"spectrum"}, problems(t, s.SaveFormulaSpectrum(ctx, f.ID, FormulaSpectrum{Curve: grey(1.4)})))

	read := grey(0.25)
	c, err := s.SaveCard(ctx, card.Card{FormulaID: f.ID, RevisionID: r.ID, Spectrum: &read}, "Ada")
	require.NoError(t, err)
	again, err := s.Card(ctx, c.ID)
	require.NoError(t, err)
	assert.Equal(t, &read, again.Spectrum)
	again.Spectrum = nil
	_, err = s.SaveCard(ctx, again, "Ada")
	require.NoError(t, err)
	again, err = s.Card(ctx, c.ID)
	require.NoError(t, err)
	assert.Nil(t, again.Spectrum)
	history, err := s.CardHistory(ctx, c.ID)
	require.NoError(t, err)
	assert.Equal(t, &read, history[0].Card.Spectrum, "what it said before stays readable")

	colours, err := s.Colours(ctx, f.System)
	require.NoError(t, err)
	require.Len(t, colours, 1)
	assert.True(t, colours[0].Measured)
}
