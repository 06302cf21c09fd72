package web

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pigment"
	"pourbook/internal/pour"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// tintRows is how many additions one tint may have.
const tintRows = 5

// tintForm asks what is added after a card, and says what the card asks for.
func (s *server) tintForm(w http.ResponseWriter, r *http.Request) error {
	state, err := s.cup(r)
	if err != nil {
		return err
	}
	v, err := s.tintView(r, state)
	if err != nil {
		return err
	}
	if v.Advice, err = s.tintAdvice(r.Context(), state); err != nil {
		return err
	}
	return render(w, r, http.StatusOK, page.TintPage(v))
}

func (s *server) tintView(r *http.Request, state pour.State) (page.Tint, error) {
	toners, err := s.Store.Toners(r.Context(), store.TonerFilter{System: state.Plan.System})
	v := page.Tint{Aside: s.aside(r, state, "Tint"), Contents: show(state, state.Contents())}
	for _, t := range toners {
		if t.Kind == formula.Hardener || t.Kind == formula.Reducer {
			continue
		}
		choice := page.TonerChoice{ID: strconv.FormatInt(t.ID, 10), Name: t.Name, Swatch: t.Swatch}
		if i := state.Index(pour.TonerKey(t.ID)); i >= 0 {
			choice.Detail = show(state, state.In[i]) + " g in"
			v.Formula = append(v.Formula, choice)
		} else if t.Stocked {
			v.Others = append(v.Others, choice)
		}
	}
	for range tintRows - 2 {
		v.Rows = append(v.Rows, page.TintRow{})
	}
	return v, err
}

// tinting reads the additions of a tint. What they are predicted to come to is kept with them, where that is known, so
// that the next card can be held against it.
func (s *server) tinting(r *http.Request, state pour.State) (pour.Body, error) {
	ids, grams := r.PostForm["toner"], r.PostForm["grams"]
	var additions []pour.Addition
	for i := range min(len(ids), len(grams), tintRows) {
		text := strings.TrimSpace(grams[i])
		if ids[i] == "" && text == "" {
			continue
		}
		id, err := strconv.ParseInt(ids[i], 10, 64)
		if err != nil {
			return nil, badRequest("Line %d: choose a toner for the %s g.", i+1, text)
		}
		toner, err := s.Store.Toner(r.Context(), id)
		if err != nil {
			return nil, err
		}
		m, err := formula.ParseMass(text)
		if err != nil {
			return nil, badRequest("%s: %s", toner.Name, err)
		}
		if toner.System != state.Plan.System {
			return nil, badRequest("%s is of another paint system. Choose one of %s.", toner.Name, state.Plan.System)
		}
		component := pour.ComponentOf(toner, 0)
		if j := state.Index(component.Key); j >= 0 {
			component = state.Components[j]
		}
		additions = append(additions, pour.Addition{Component: component, Mass: m})
	}
	tint, err := pour.TintWith(state, additions)
	if err != nil {
		var p *pour.Problem
		if errors.As(err, &p) {
			return nil, badRequest("%s", p.Detail)
		}
		return nil, err
	}
	tint.DeltaE, err = s.predictTint(r.Context(), state, additions)
	return tint, err
}

// tintCase is a cup with its card, as far as colour is known of both.
type tintCase struct {
	palette *store.Palette
	in      []gram.Mass // in the cup now, by toner of the palette
	names   []string
	binder  []bool
	last    *card.Card // of this cup
	card    *card.Card // the last one that was measured
	target  *store.FormulaSpectrum
	// The card and the target as spectra, and the palette as the card corrects it; nil where one of them is missing.
	anchored     *pigment.Palette
	read, wanted colour.Spectrum
	unknown      []string // toners in the cup without colour data
	moved        bool     // paint was added since the last card was sprayed
	cannot       string   // why the card cannot be compared with the toners
}

// tintCase gathers what is known of a cup: its toners and those of the shelf that have colour data, its cards, its target.
func (s *server) tintCase(ctx context.Context, state pour.State) (c tintCase, err error) {
	cards, err := s.Store.CardsOf(ctx, state.Batch)
	if err != nil {
		return c, err
	}
	for i := range cards {
		c.last = &cards[i]
		if cards[i].Spectrum != nil {
			c.card = &cards[i]
		}
	}
	if c.last != nil {
		if c.moved, err = s.movedSince(ctx, state, c.last.BatchSeq); err != nil {
			return c, err
		}
	}
	if c.card != c.last {
		c.card = nil // a later card was judged by eye only
	}
	if c.target, err = s.targetOf(ctx, state.Plan.FormulaID); err != nil {
		return c, err
	}
	if err := s.tintPalette(ctx, state, &c); err != nil || c.palette == nil {
		return c, err
	}
	if c.card == nil || c.target == nil || c.moved {
		return c, nil
	}
	if c.read, err = c.card.Spectrum.Spectrum(); err != nil {
		return c, err
	}
	if c.wanted, err = c.target.Curve.Spectrum(); err != nil {
		return c, err
	}
	if c.anchored, err = c.palette.Anchored(c.in, c.read); err != nil {
		c.cannot = plain(err)
		c.anchored = nil
	}
	return c, nil
}

func (s *server) tintPalette(ctx context.Context, state pour.State, c *tintCase) error {
	var toners []formula.Toner
	for i, k := range state.Components {
		if !k.Colour() || state.In[i] <= 0 {
			continue
		}
		toners, c.in = append(toners, k.Toner()), append(c.in, state.In[i])
	}
	cup := len(toners)
	shelf, err := s.colourShelf(ctx, state.Plan.System)
	if err != nil {
		return err
	}
	for _, t := range shelf {
		if slices.ContainsFunc(toners[:cup], func(in formula.Toner) bool { return in.ID == t.ID }) {
			continue
		}
		toners, c.in = append(toners, t), append(c.in, 0)
	}
	for _, t := range toners {
		c.names, c.binder = append(c.names, t.Name), append(c.binder, t.Kind == formula.Binder)
	}
	c.palette, c.unknown, err = s.Store.Palette(ctx, toners)
	return err
}

// movedSince reports whether the composition of a cup is another than it was at an event: then a card from before says
// nothing of it.
func (s *server) movedSince(ctx context.Context, state pour.State, seq int) (bool, error) {
	events, err := s.Store.Events(ctx, state.Batch)
	if err != nil {
		return false, err
	}
	if seq < 1 || seq > len(events) {
		return true, nil
	}
	then, err := pour.Fold(events[:seq])
	if err != nil {
		return false, err
	}
	before, now := then.Contents(), state.Contents()
	if before <= 0 || now <= 0 {
		return true, nil
	}
	for i, k := range state.Components {
		was := gram.Mass(0)
		if j := then.Index(k.Key); j >= 0 {
			was = then.In[j]
		}
		if d := state.In[i].Grams()/now.Grams() - was.Grams()/before.Grams(); d > 1e-4 || d < -1e-4 {
			return true, nil
		}
	}
	return false, nil
}

// predictTint returns the largest ΔE00 over the lamps that additions are predicted to bring, nil where that is not known.
func (s *server) predictTint(ctx context.Context, state pour.State, additions []pour.Addition) (*float64, error) {
	c, err := s.tintCase(ctx, state)
	if err != nil || c.anchored == nil {
		return nil, err
	}
	after := slices.Clone(c.in)
	for _, a := range additions {
		i := c.palette.Index(a.Component.TonerID)
		if i < 0 {
			return nil, nil
		}
		after[i] += a.Mass
	}
	_, by, err := c.predict(after)
	if err != nil {
		return nil, err
	}
	worst := slices.Max(by)
	return &worst, nil
}

// predict returns the spectrum of a cup as the card corrects it, and ΔE00 to the target under each lamp.
func (c tintCase) predict(in []gram.Mass) (colour.Spectrum, []float64, error) {
	spectrum, err := c.anchored.Predict(gramsOf(in), pigment.Coat{})
	if err != nil {
		return spectrum, nil, err
	}
	by, err := pigment.Differences(c.wanted, spectrum, store.Lights(), colour.TenDegrees)
	return spectrum, by, err
}

func gramsOf(in []gram.Mass) []float64 {
	grams := make([]float64, len(in))
	for i, m := range in {
		grams[i] = m.Grams()
	}
	return grams
}
