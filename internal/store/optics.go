package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/pigment"
	"pourbook/internal/pour"
)

// Surface is the boundary between paint and air for which the book keeps the data of toners: a refractive index of 1.5,
// read at 45/0, where the gloss does not reach the detector. Common practice, no source; see pigment.Surface.
func Surface() pigment.Surface { return pigment.Surface{K1: 0.04, K2: 0.6, SpecularExcluded: true} }

// Lights are those under which a cup is to have the formula's colour, the first being the usual one: daylight, a
// filament lamp and the tube of a shop. Common practice, no source.
func Lights() []colour.Illuminant { return []colour.Illuminant{colour.D65, colour.A, colour.F11} }

// Optics is what light does in one toner: absorption K and scattering S of a gram of it, on the grid of colour.Paint.
type Optics struct {
	TonerID   int64
	K, S      []float64
	Source    string // where they are from, in words: "drawdowns of 3 March"
	Invented  bool   // not measured: made up for a demo, and said to be so wherever it shows
	UpdatedAt time.Time
}

// SaveOptics keeps the data of a toner in place of any that it had. What is wrong with them comes back as
// formula.Problems, an unknown toner as ErrNotFound.
func (s *Store) SaveOptics(ctx context.Context, o Optics) error {
	const doing = "save the colour data of a toner"
	o.Source = tidy(o.Source)
	if err := checkOptics(o); err != nil {
		return err
	}
	grid := colour.Paint()
	absorbs, kErr := asJSON(o.K)
	scatters, sErr := asJSON(o.S)
	if err := errors.Join(kErr, sErr); err != nil {
		return err
	}
	return s.update(ctx, doing, func(t *tx) error {
		err := t.exec(`INSERT INTO toner_optics (toner_id, start, step, k, s, source, invented, updated_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT (toner_id) DO UPDATE SET start = excluded.start, step = excluded.step, k = excluded.k, s = excluded.s,
				source = excluded.source, invented = excluded.invented, updated_at = excluded.updated_at`,
			o.TonerID, grid.Start, grid.Step, absorbs, scatters, o.Source, o.Invented, t.now.UnixMilli())
		if isForeignKey(err) {
			return notFound(doing, "such toner")
		}
		return err
	})
}

func checkOptics(o Optics) error {
	var ps formula.Problems
	add := func(field, format string, args ...any) {
		ps = append(ps, formula.Problem{Field: field, Detail: fmt.Sprintf(format, args...)})
	}
	err := pigment.Pigment{Name: "the toner", Grid: colour.Paint(), K: o.K, S: o.S}.Valid()
	var data *pigment.DataError
	switch {
	case errors.As(err, &data):
		add(data.Field, "%s.", data)
	case err != nil:
		add("k", "%s.", err)
	}
	if o.Source == "" {
		add("source", "say where the colour data are from, such as drawdowns and their date.")
	}
	checkText(&ps, "source", o.Source, longestText)
	return ps.Err()
}

// Optics returns the data of those of the given toners that have any, by toner.
func (s *Store) Optics(ctx context.Context, tonerIDs ...int64) (map[int64]Optics, error) {
	const doing = "read the colour data of toners"
	out := make(map[int64]Optics, len(tonerIDs))
	if len(tonerIDs) == 0 {
		return out, nil
	}
	args := make([]any, len(tonerIDs))
	for i, id := range tonerIDs {
		args[i] = id
	}
	rows, err := collect(ctx, s.read, `SELECT toner_id, start, step, k, s, source, invented, updated_at FROM toner_optics WHERE toner_id IN (?`+strings.Repeat(", ?", len(args)-1)+`)`,
		args, func(r *sql.Rows, o *Optics) error {
			var start, step float64
			var k, scatters string
			var at sql.NullInt64
			if err := r.Scan(&o.TonerID, &start, &step, &k, &scatters, &o.Source, &o.Invented, &at); err != nil {
				return err
			}
			if grid := colour.Paint(); start != grid.Start || step != grid.Step {
				return fmt.Errorf("toner %d has colour data from %g nm every %g nm", o.TonerID, start, step)
			}
			o.UpdatedAt = timeOf(at)
			return errors.Join(fromJSON(k, &o.K), fromJSON(scatters, &o.S))
		})
	for _, o := range rows {
		out[o.TonerID] = o
	}
	return out, explain(doing, err)
}

// Palette is the toners of a cup or of a shelf whose mixtures can be predicted.
type Palette struct {
	*pigment.Palette
	Toners   []int64 // in the order of its parts
	Invented bool    // some of the data are made up
	Sources  []string
}

// Index returns the place of a toner in the palette, -1 where it is not in it.
func (p *Palette) Index(toner int64) int { return slices.Index(p.Toners, toner) }

// Palette returns the palette of toners, in their order. Those without data are named instead, and the palette is
// then nil. A toner that is listed twice is an error.
func (s *Store) Palette(ctx context.Context, toners []formula.Toner) (p *Palette, without []string, err error) {
	const doing = "read the colour data of toners"
	ids := make([]int64, len(toners))
	for i, t := range toners {
		ids[i] = t.ID
	}
	optics, err := s.Optics(ctx, ids...)
	if err != nil {
		return nil, nil, err
	}
	p = &Palette{Toners: ids}
	var pigments []pigment.Pigment
	for _, t := range toners {
		o, ok := optics[t.ID]
		if !ok {
			without = append(without, t.Name)
			continue
		}
		pigments = append(pigments, pigment.Pigment{Name: t.Name, Grid: colour.Paint(), K: o.K, S: o.S})
		p.Invented = p.Invented || o.Invented
		if !slices.Contains(p.Sources, o.Source) {
			p.Sources = append(p.Sources, o.Source)
		}
	}
	if len(without) > 0 || len(pigments) == 0 {
		return nil, without, nil
	}
	p.Palette, err = pigment.NewPalette(pigments, Surface())
	if err != nil {
		return nil, nil, failed(doing, err, "The colour data of these toners do not go together: "+err.Error()+".")
	}
	return p, nil, nil
}

// ColourOf returns how far a cup is from its formula's colour, as the rules of pouring ask for it: hiding, under every
// one of Lights. It is nil where a toner in the cup has no colour data, as flake and pearl have none.
func (s *Store) ColourOf(ctx context.Context, state pour.State) (pour.Colour, error) {
	var toners []formula.Toner
	var goals []float64
	for _, c := range state.Components {
		if !c.Colour() || c.Key == pour.PaintKey {
			continue
		}
		if c.TonerID == 0 {
			return nil, nil
		}
		toners, goals = append(toners, c.Toner()), append(goals, c.Goal.Grams())
	}
	p, _, err := s.Palette(ctx, toners)
	if err != nil || p == nil {
		return nil, err
	}
	aim, err := p.AimAtMixture(goals, pigment.Coat{}, Lights(), colour.TenDegrees)
	if err != nil {
		return nil, failed("compute the colour of a formula", err, "The colour of this formula cannot be computed: "+err.Error()+".")
	}
	return aim, nil
}

// FormulaSpectrum is the measured colour that a formula is to hit.
type FormulaSpectrum struct {
	Curve  card.Curve
	Source string // what was measured: "door, left, below the strip"
	By     string
	At     time.Time
}

// SaveFormulaSpectrum keeps the measured colour that a formula is to hit, and with it its target in figures (D65, 10 degrees).
// What is wrong comes back as formula.Problems, an unknown formula as ErrNotFound.
func (s *Store) SaveFormulaSpectrum(ctx context.Context, formulaID int64, f FormulaSpectrum) error {
	const doing = "save the measured colour of a formula"
	main, err := f.Curve.Main()
	if err != nil {
		return problem("spectrum", "%s.", err)
	}
	if !slices.Contains(card.CurveGeometries, f.Curve.Geometry) {
		return problem("spectrum", "%q is no geometry of a spectrum. Choose one of the list.", f.Curve.Geometry)
	}
	f.Source = tidy(f.Source)
	var ps formula.Problems
	checkText(&ps, "source", f.Source, longestName)
	checkText(&ps, "by", f.By, longestName)
	if err := ps.Err(); err != nil {
		return err
	}
	curve, err := asJSON(f.Curve)
	if err != nil {
		return err
	}
	return s.update(ctx, doing, func(t *tx) error {
		err := t.change(`UPDATE formula SET target_l = ?, target_a = ?, target_b = ?, updated_at = ? WHERE id = ?`, main.Lab.L, main.Lab.A, main.Lab.B, t.now.UnixMilli(), formulaID)
		if errors.Is(err, ErrNotFound) {
			return notFound(doing, "such formula")
		}
		if err != nil {
			return err
		}
		return t.exec(`INSERT INTO formula_spectrum (formula_id, curve, source, person, updated_at) VALUES (?, ?, ?, ?, ?)
			ON CONFLICT (formula_id) DO UPDATE SET curve = excluded.curve, source = excluded.source, person = excluded.person, updated_at = excluded.updated_at`,
			formulaID, curve, f.Source, f.By, t.now.UnixMilli())
	})
}

// FormulaSpectrum returns the measured colour that a formula is to hit, ErrNotFound where none was measured.
func (s *Store) FormulaSpectrum(ctx context.Context, formulaID int64) (FormulaSpectrum, error) {
	const doing = "read the measured colour of a formula"
	var f FormulaSpectrum
	var curve string
	var at sql.NullInt64
	err := s.read.QueryRowContext(ctx, `SELECT curve, source, person, updated_at FROM formula_spectrum WHERE formula_id = ?`, formulaID).Scan(&curve, &f.Source, &f.By, &at)
	if errors.Is(err, sql.ErrNoRows) {
		return f, notFound(doing, "measured colour of this formula")
	}
	if err != nil {
		return f, explain(doing, err)
	}
	f.At = timeOf(at)
	return f, explain(doing, fromJSON(curve, &f.Curve))
}

// Coloured is a formula of the book as a colour to compare with.
type Coloured struct {
	FormulaID int64
	Lab       colour.Lab
	Measured  bool // of its target; otherwise of its swatch, which is an impression
}

// Colours returns the colour of every formula of a paint system that is not retired and has one.
func (s *Store) Colours(ctx context.Context, system formula.System) ([]Coloured, error) {
	type row struct {
		id      int64
		swatch  string
		l, a, b sql.NullFloat64
	}
	rows, err := collect(ctx, s.read, `SELECT f.id, f.swatch, f.target_l, f.target_a, f.target_b FROM formula f JOIN paint_system s ON s.id = f.system_id
		WHERE f.retired = 0 AND s.name_key = ? AND (f.target_l IS NOT NULL OR f.swatch <> '') ORDER BY f.id`, []any{nameKey(string(system))},
		func(r *sql.Rows, to *row) error { return r.Scan(&to.id, &to.swatch, &to.l, &to.a, &to.b) })
	if err != nil {
		return nil, explain("read the colours of the book", err)
	}
	out := make([]Coloured, 0, len(rows))
	for _, r := range rows {
		c := Coloured{FormulaID: r.id, Measured: r.l.Valid, Lab: colour.Lab{L: r.l.Float64, A: r.a.Float64, B: r.b.Float64}}
		if !c.Measured {
			if c.Lab, err = colour.ParseHex(r.swatch); err != nil {
				continue // no colour
			}
		}
		out = append(out, c)
	}
	return out, nil
}
