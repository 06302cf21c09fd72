// Package demo fills an empty book with an invented shop and six weeks of its work, so that every screen has
// something to show.
//
// It promises that the same seed and time make the same book, and that nothing of it is made up ready-made: story.json
// says who wanted what, and every plan, pour, overshoot, correction and reduction comes out of the same functions and
// the same commands as at a real bench. It is no test data for colour: absorption and scattering of
// toners are made up (optics.go), other swatches are impressions, and readings of cards are the formula's own colour, shifted. Shop, people, vehicles, systems, toners, colours and codes are invented.
//
// Start at Load.
package demo

import (
	"bytes"
	"cmp"
	"context"
	"embed"
	"errors"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/store"
)

//go:embed toners.csv formulas.csv story.json
var files embed.FS

// ShopName stands wherever a screen names the shop, so that nobody takes the demo for a real book.
const ShopName = "Windle Yard (demo, all invented)"

// Balance is the demo's scale: steps of 0.1 g up to 7.5 kg.
var Balance = gram.Balance{Division: 100 * gram.Milligram, Max: 7500 * gram.Gram}

// cups of the demo. Weights and prices are invented.
var cups = []pour.Cup{
	{Name: "150 ml cup", Brim: 150, Empty: 6 * gram.Gram, Cost: 14},
	{Name: "385 ml cup", Brim: 385, Empty: 11 * gram.Gram, Cost: 19},
	{Name: "750 ml cup", Brim: 750, Empty: 19 * gram.Gram, Cost: 28},
	{Name: "1400 ml cup", Brim: 1400, Empty: 32 * gram.Gram, Cost: 41},
	{Name: "2300 ml cup", Brim: 2300, Empty: 48 * gram.Gram, Cost: 63},
}

// bookedDays is how long before the demo is opened the owner put the formulas in.
const bookedDays = 160

// owner put the formulas in.
const owner = "Ottilie Garrow"

// shop is a book while it is being filled.
type shop struct {
	book     *store.Store
	now      time.Time
	seed     uint64
	settings store.Settings
	toners   map[formula.System]map[string]formula.Toner
	formulas []entry
	batches  map[string]*hand // by the name of the cup
}

// entry is a formula and its latest revision.
type entry struct {
	formula  formula.Formula
	revision formula.Revision
}

// Load fills an empty book. The same seed and now make the same book; what happened lies before now.
// The error says which part of the story could not be done.
func Load(ctx context.Context, book *store.Store, seed int64, now time.Time) error {
	told, err := readStory()
	if err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	s := &shop{
		book: book, now: now, seed: uint64(seed),
		toners: map[formula.System]map[string]formula.Toner{}, batches: map[string]*hand{},
	}
	if err := s.fit(ctx, told); err != nil {
		return fmt.Errorf("demo: settings and people: %w", err)
	}
	if err := s.stock(ctx); err != nil {
		return fmt.Errorf("demo: toners.csv: %w", err)
	}
	if err := s.write(ctx); err != nil {
		return fmt.Errorf("demo: formulas.csv: %w", err)
	}
	for _, c := range told.Story {
		switch {
		case c.Revision != nil:
			if err := s.revise(ctx, *c.Revision); err != nil {
				return fmt.Errorf("demo: revision of %s: %w", c.Revision.Of, err)
			}
		case c.Variant != nil:
			if err := s.derive(ctx, *c.Variant); err != nil {
				return fmt.Errorf("demo: variant %s of %s: %w", c.Variant.Alternate, c.Variant.Of, err)
			}
		case c.Cup != nil:
			if err := s.mix(ctx, *c.Cup); err != nil {
				return fmt.Errorf("demo: cup %s: %w", c.Cup.Name, err)
			}
		case c.Card != nil:
			if err := s.spray(ctx, *c.Card); err != nil {
				return fmt.Errorf("demo: card of cup %s: %w", c.Card.Cup, err)
			}
		}
	}
	return nil
}

// daysAgo returns a time of day so many days before now, in the time zone of now.
func (s *shop) daysAgo(days int, clock string) (time.Time, error) {
	at, err := time.Parse("15:04", clock)
	if err != nil {
		return time.Time{}, err
	}
	y, m, d := s.now.AddDate(0, 0, -days).Date()
	return time.Date(y, m, d, at.Hour(), at.Minute(), 0, 0, s.now.Location()), nil
}

// fit keeps the settings and the people.
func (s *shop) fit(ctx context.Context, told story) error {
	s.settings = store.DefaultSettings()
	s.settings.ShopName = ShopName
	s.settings.Balance = Balance
	s.settings.Cups = cups
	s.settings.CupCost = 41
	s.settings.MinuteRate = 80
	if err := s.book.SaveSettings(ctx, s.settings); err != nil {
		return err
	}
	for _, p := range told.People {
		if _, err := s.book.SavePerson(ctx, store.Person{Name: p.Name, Role: p.Role, Active: true}); err != nil {
			return err
		}
	}
	return nil
}

// stock puts the toners on the shelf.
func (s *shop) stock(ctx context.Context) error {
	data, err := files.ReadFile("toners.csv")
	if err != nil {
		return err
	}
	preview, err := formula.ReadTonersCSV(bytes.NewReader(data), s.toner)
	if err != nil {
		return err
	}
	if !preview.Ready() {
		return preview.Problems
	}
	// A superseded toner names one that must be there already.
	drafts := slices.Clone(preview.Toners)
	slices.SortStableFunc(drafts, func(a, b formula.TonerDraft) int {
		return cmp.Compare(btoi(a.Toner.Replaced != nil), btoi(b.Toner.Replaced != nil))
	})
	for _, d := range drafts {
		kept, err := s.book.SaveToner(ctx, d.Toner)
		if err != nil {
			return err
		}
		if s.toners[kept.System] == nil {
			s.toners[kept.System] = map[string]formula.Toner{}
		}
		s.toners[kept.System][kept.Name] = kept
		if err := s.optics(ctx, kept); err != nil {
			return err
		}
	}
	return nil
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

func (s *shop) toner(system formula.System, name string) (formula.Toner, bool) {
	t, ok := s.toners[system][name]
	return t, ok
}

// write puts the formulas into the book, each with a swatch and its usual reduction.
func (s *shop) write(ctx context.Context) error {
	data, err := files.ReadFile("formulas.csv")
	if err != nil {
		return err
	}
	preview, err := formula.ReadCSV(bytes.NewReader(data), formula.Book{Toner: s.toner})
	if err != nil {
		return err
	}
	if !preview.Ready() {
		return preview.Problems
	}
	at, err := s.daysAgo(bookedDays, "16:00")
	if err != nil {
		return err
	}
	entries := make([]store.NewEntry, 0, len(preview.Formulas))
	var curves []*card.Curve // what the shop measured, by formula
	for _, d := range preview.Formulas {
		f := d.Formula
		f.CreatedAt = at
		var curve *card.Curve
		if f.Swatch, curve, err = s.swatch(ctx, d.Lines); err != nil {
			return err
		}
		if f.Finish != formula.FinishSolid || f.Alternate != "" {
			curve = nil
		} else if curve == nil { // measured in figures only
			lab, err := colour.ParseHex(f.Swatch)
			if err != nil {
				return err
			}
			target := tenths(lab)
			f.Target = &target
		}
		curves = append(curves, curve)
		r := formula.Revision{Lines: d.Lines, By: owner, At: at, FixedOrder: f.Coat == formula.Mid}
		if r.Reduction, r.PotLife, err = s.reduction(f); err != nil {
			return err
		}
		entries = append(entries, store.NewEntry{Formula: f, Revisions: []formula.Revision{r}})
	}
	ids, err := s.book.ImportFormulas(ctx, entries)
	if err != nil {
		return err
	}
	for i, id := range ids {
		if curves[i] != nil {
			measured := store.FormulaSpectrum{Curve: *curves[i], Source: "the shop's master panel", By: owner}
			if err := s.book.SaveFormulaSpectrum(ctx, id, measured); err != nil {
				return err
			}
		}
		f, err := s.book.Formula(ctx, id)
		if err != nil {
			return err
		}
		r, err := s.book.LatestRevision(ctx, id)
		if err != nil {
			return err
		}
		s.formulas = append(s.formulas, entry{f, r})
	}
	return nil
}

func tenths(l colour.Lab) colour.Lab {
	round := func(v float64) float64 { return math.Round(10*v) / 10 }
	return colour.Lab{L: round(l.L), A: round(l.A), B: round(l.B)}
}

// reduction returns the usual reduction of a formula, and how long it can be sprayed once hardened: 0 where no
// hardener goes in. Ratios and pot life are common practice, no source.
func (s *shop) reduction(f formula.Formula) (*formula.Ratio, time.Duration, error) {
	type part struct {
		name  string
		parts float64
	}
	r := formula.Ratio{By: "volume"}
	var parts []part
	var potLife time.Duration
	switch {
	case f.Coat == formula.SingleStage: // 2 : 1, and a tenth of the paint in reducer
		r.Paint, parts, potLife = 2, []part{{"Gloss hardener, steady", 1}, {"Gloss reducer, mild day", 0.2}}, 4*time.Hour
	case f.System == "Water base": // 15 %
		r.Paint, parts = 100, []part{{"Water reducer", 15}}
	case f.Finish == formula.FinishSolid: // 50 %
		r.Paint, parts = 2, []part{{"Base reducer, mild day", 1}}
	default: // 100 %
		r.Paint, parts = 1, []part{{"Base reducer, mild day", 1}}
	}
	for _, p := range parts {
		t, ok := s.toner(f.System, p.name)
		if !ok {
			return nil, 0, fmt.Errorf("%s: %s is not on the shelf of %s", f.Title(), p.name, f.System)
		}
		r.Parts = append(r.Parts, formula.Part{Name: t.Name, Kind: t.Kind, Parts: p.parts, Density: t.Density})
	}
	return &r, potLife, nil
}

// find returns the place of the one formula that r names.
func (s *shop) find(r ref) (int, error) {
	found := -1
	for i, e := range s.formulas {
		if e.formula.Code != r.Code || e.formula.Alternate != r.Alternate || r.Coat != "" && e.formula.Coat != r.Coat {
			continue
		}
		if found >= 0 {
			return 0, fmt.Errorf("%s has several coats; name one", r)
		}
		found = i
	}
	if found < 0 {
		return 0, fmt.Errorf("%s is not in the book", r)
	}
	return found, nil
}

// changed returns the lines of a recipe made from others, in tenths of a gram.
func (s *shop) changed(system formula.System, lines []formula.Line, r recipe) ([]formula.Line, error) {
	used := 0
	var out []formula.Line
	for _, l := range lines {
		if slices.Contains(r.Drop, l.Toner.Name) {
			used++
			continue
		}
		if factor, ok := r.Change[l.Toner.Name]; ok {
			used++
			l.Mass = gram.Of(l.Mass.Grams() * factor).Round(100 * gram.Milligram)
		}
		out = append(out, l)
	}
	for _, name := range sorted(r.Add) {
		toner, ok := s.toner(system, name)
		if !ok {
			return nil, fmt.Errorf("%s is not on the shelf of %s", name, system)
		}
		used++
		// Before the last line, which is the binder.
		out = slices.Insert(out, len(out)-1, formula.Line{Toner: toner, Mass: gram.Of(r.Add[name])})
	}
	if used != len(r.Change)+len(r.Add)+len(r.Drop) {
		return nil, fmt.Errorf("it changes a toner that is not in the formula")
	}
	return out, nil
}

// sorted returns the keys of a map in a fixed order.
func sorted(m map[string]float64) []string { return slices.Sorted(maps.Keys(m)) }

// revise adds a revision to a formula.
func (s *shop) revise(ctx context.Context, v revision) error {
	i, err := s.find(v.Of)
	if err != nil {
		return err
	}
	e := s.formulas[i]
	r := e.revision
	r.ID, r.Note, r.By = 0, v.Note, v.By
	if r.Lines, err = s.changed(e.formula.System, r.Lines, v.recipe); err != nil {
		return err
	}
	if r.At, err = s.daysAgo(v.Days, "17:10"); err != nil {
		return err
	}
	s.formulas[i].revision, err = s.book.AddRevision(ctx, e.formula.ID, r)
	return err
}

// derive makes a variant of a formula.
func (s *shop) derive(ctx context.Context, v variant) error {
	i, err := s.find(v.Of)
	if err != nil {
		return err
	}
	e := s.formulas[i]
	f, r := e.formula, e.revision
	f.Parent = &formula.Origin{FormulaID: f.ID, RevisionID: r.ID, Reason: v.Reason}
	if v.FromCup != "" {
		from, err := s.batch(v.FromCup)
		if err != nil {
			return err
		}
		f.Parent.BatchID = from.batch
	}
	f.ID, f.Alternate, f.Target = 0, v.Alternate, nil
	r.ID, r.By, r.Note = 0, v.By, ""
	if r.Lines, err = s.changed(f.System, r.Lines, v.recipe); err != nil {
		return err
	}
	if f.Swatch, _, err = s.swatch(ctx, r.Lines); err != nil {
		return err
	}
	if f.CreatedAt, err = s.daysAgo(v.Days, "17:30"); err != nil {
		return err
	}
	r.At = f.CreatedAt
	if f, r, err = s.book.CreateVariant(ctx, f, r); err != nil {
		return err
	}
	s.formulas = append(s.formulas, entry{f, r})
	return nil
}

func (s *shop) batch(cup string) (*hand, error) {
	h, ok := s.batches[cup]
	if !ok {
		return nil, fmt.Errorf("there is no cup %q before it in the story", cup)
	}
	return h, nil
}

// mix plans a cup and pours it.
func (s *shop) mix(ctx context.Context, c cup) error {
	i, err := s.find(c.Of)
	if err != nil {
		return err
	}
	e := s.formulas[i]
	system := e.formula.System
	toners := func(name string) (formula.Toner, bool) { return s.toner(system, name) }
	h := &hand{
		book: s.book, random: rand.New(rand.NewPCG(s.seed, uint64(len(s.batches)))), // of its own, so that a cup more changes no other
		toners: toners, cup: c, batch: fmt.Sprintf("demo-%02d", len(s.batches)+1),
		shop: pour.Shop{
			Limit: s.settings.LimitDeltaE, CupCost: s.settings.CupCost, MinuteRate: s.settings.MinuteRate,
			Cups: s.settings.Cups, Clings: 4 * gram.Gram,
		},
	}
	if h.clock = s.now.Add(-time.Duration(c.Minutes) * time.Minute); c.At != "" {
		if h.clock, err = s.daysAgo(c.Days, c.At); err != nil {
			return err
		}
	}
	request := pour.Request{
		Title: e.formula.Title(), Job: c.Job, FormulaID: e.formula.ID, RevisionID: e.revision.ID, Revision: e.revision.Number,
		Swatch: e.formula.Swatch, System: system, Coat: e.formula.Coat, FixedOrder: e.revision.FixedOrder,
		Amount: gram.Amount{Value: c.Amount, Unit: c.Unit}, Ready: c.Ready,
		Reduction: e.revision.Reduction, PotLife: e.revision.PotLife,
		Balance: s.settings.Balance, SafeOrder: c.Safe, Limit: s.settings.LimitDeltaE, TolerancePercent: s.settings.TolerancePercent,
	}
	if request.Lines, _, err = formula.Substitute(e.revision.Lines, toners); err != nil {
		return err
	}
	at := slices.IndexFunc(s.settings.Cups, func(k pour.Cup) bool { return k.Brim == c.Cup })
	if at < 0 {
		return fmt.Errorf("the shop has no cup of %v ml", c.Cup)
	}
	request.Cup = s.settings.Cups[at]
	request.CupEmpty = request.Cup.Empty
	if c.Again != "" {
		before, err := s.batch(c.Again)
		if err != nil {
			return err
		}
		request.Again = before.batch
	}
	for _, name := range sorted(c.HoldBack) {
		toner, ok := toners(name)
		if !ok {
			return fmt.Errorf("%s, to be held back, is not on the shelf", name)
		}
		request.HoldBack = append(request.HoldBack, pour.HoldBack{Key: pour.TonerKey(toner.ID), Part: c.HoldBack[name]})
	}
	plan, weighing, err := pour.NewPlan(request)
	if err != nil {
		return err
	}
	if !weighing.Fits {
		return fmt.Errorf("it does not fit: %s", weighing.Sentence)
	}
	if err := h.run(ctx, plan); err != nil {
		return err
	}
	if h.clock.After(s.now) {
		return fmt.Errorf("it would be poured until %s from now", h.clock.Sub(s.now))
	}
	s.batches[c.Name] = h
	return nil
}

// readCurve gives a card the spectrum that goes with its reading at 45/0, where the formula's own was measured.
func (s *shop) readCurve(ctx context.Context, c *card.Card, read colour.Lab) error {
	last := len(c.Readings) - 1
	target, err := s.book.FormulaSpectrum(ctx, c.FormulaID)
	if errors.Is(err, store.ErrNotFound) || err == nil && c.Readings[last].Geometry != target.Curve.Geometry {
		return nil
	}
	if err != nil {
		return err
	}
	if c.Spectrum, err = sprayed(target.Curve, read); err != nil {
		return err
	}
	c.Readings[last], err = c.Spectrum.Main()
	return err
}

// spray keeps a card.
func (s *shop) spray(ctx context.Context, p panel) error {
	h, err := s.batch(p.Cup)
	if err != nil {
		return err
	}
	nth := max(p.Draw, 1)
	if nth > len(h.drawn) {
		return fmt.Errorf("nothing was drawn for card %d", nth)
	}
	drawn := h.drawn[nth-1]
	plan := h.state.Plan
	f, err := s.book.Formula(ctx, plan.FormulaID)
	if err != nil {
		return err
	}
	c := card.Card{
		Batch: h.batch, BatchSeq: drawn.seq, FormulaID: f.ID, RevisionID: plan.RevisionID, By: p.By,
		SprayedAt: drawn.at.Add(10 * time.Minute), Coats: p.Coats, Gun: p.Gun, Pressure: p.Pressure, Distance: p.Distance,
		Undercoat: p.Undercoat, Cleared: p.Cleared, Dry: p.Dry, Size: p.Size, Notes: p.Notes, Decision: p.Decision,
	}
	if plan.Reduction != nil {
		c.Reduction = pour.RatioText(*plan.Reduction)
	}
	if c.Decision != card.Open {
		c.DecidedAt = drawn.at.Add(time.Duration(p.Hours * float64(time.Hour)))
	}
	if c.SprayedAt.After(s.now) || c.DecidedAt.After(s.now) {
		return fmt.Errorf("it would be judged after now")
	}
	for _, st := range p.Steps {
		c.Steps = append(c.Steps, card.Step{MidCoats: st.Coats, Word: st.Word, Chosen: st.Coats == p.Chosen})
	}
	for _, v := range p.Verdicts {
		c.Verdicts = append(c.Verdicts, v.Verdict)
	}
	if len(p.Readings) > 0 {
		lab, err := colour.ParseHex(f.Swatch)
		if err != nil {
			return err
		}
		if f.Target != nil {
			lab = *f.Target
		}
		for _, r := range p.Readings {
			read := tenths(colour.Lab{L: lab.L + r.Off.L, A: lab.A + r.Off.A, B: lab.B + r.Off.B})
			c.Readings = append(c.Readings, card.Measured{Geometry: r.Geometry, Lab: read, Illuminant: "D65", Observer: "10"})
			if err := s.readCurve(ctx, &c, read); err != nil {
				return err
			}
		}
	}
	_, err = s.book.SaveCard(ctx, c, p.By)
	return err
}
