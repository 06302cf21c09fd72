package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"pourbook/internal/formula"
)

// TonerFilter says which toners to list. The zero value lists all.
type TonerFilter struct {
	System  formula.System // "": every system
	Kind    formula.Kind   // "": every kind
	Text    string         // beginnings of words of name or code
	Stocked bool           // only those on the shelf
	Limit   int            // 0: all
	Offset  int
}

const tonerColumns = `t.id, t.name, t.code, s.name, t.kind, t.strength, t.density, t.per_litre, t.swatch, t.hazard, t.sheet_url,
	t.wet_first, t.stocked, n.name, t.replaced_factor`

const tonerTables = `toner t JOIN paint_system s ON s.id = t.system_id LEFT JOIN toner n ON n.id = t.replaced_by`

// tonerRow is where the columns of a toner are scanned to.
type tonerRow struct {
	toner  formula.Toner
	by     sql.NullString
	factor sql.NullFloat64
}

func (r *tonerRow) targets() []any {
	t := &r.toner
	return []any{
		&t.ID, &t.Name, &t.Code, &t.System, &t.Kind, &t.Strength, &t.Density, &t.PerLitre, &t.Swatch, &t.Hazard, &t.SheetURL,
		&t.WetFirst, &t.Stocked, &r.by, &r.factor,
	}
}

func (r *tonerRow) value() formula.Toner {
	if r.by.Valid {
		r.toner.Replaced = &formula.Replacement{By: r.by.String, Factor: r.factor.Float64}
	}
	return r.toner
}

func scanToner(rows *sql.Rows, t *formula.Toner) error {
	var row tonerRow
	if err := rows.Scan(row.targets()...); err != nil {
		return err
	}
	*t = row.value()
	return nil
}

// SaveToner keeps a new toner (ID 0) or a changed one and returns it as kept. Its paint system is made where it is new.
// What is wrong with it comes back as formula.Problems; an unknown ID as ErrNotFound.
func (s *Store) SaveToner(ctx context.Context, toner formula.Toner) (formula.Toner, error) {
	err := s.update(ctx, "save a toner", func(t *tx) error {
		var err error
		toner, err = t.saveToner(toner)
		return err
	})
	if err != nil {
		return formula.Toner{}, err
	}
	return toner, nil
}

func (t *tx) saveToner(toner formula.Toner) (formula.Toner, error) {
	const doing = "save a toner"
	toner.Name, toner.Code, toner.System = tidy(toner.Name), tidy(toner.Code), formula.System(tidy(string(toner.System)))
	if err := checkToner(toner); err != nil {
		return toner, err
	}
	system, err := t.system(toner.System)
	if err != nil {
		return toner, err
	}
	by, factor, err := t.replacement(toner, system)
	if err != nil {
		return toner, err
	}
	words := formula.Fold(toner.Name + " " + toner.Code)
	if toner.ID == 0 {
		toner.ID, err = t.insert(`INSERT INTO toner (system_id, name, name_key, code, code_key, words, kind, strength, density, per_litre, swatch, hazard, sheet_url,
				wet_first, stocked, replaced_by, replaced_factor, updated_at)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			system, toner.Name, nameKey(toner.Name), toner.Code, formula.FoldCode(toner.Code), words, string(toner.Kind), string(toner.Strength),
			toner.Density, int64(toner.PerLitre), toner.Swatch, toner.Hazard, toner.SheetURL, toner.WetFirst, toner.Stocked, by, factor, t.now.UnixMilli())
	} else {
		var before int64
		err = t.row(`SELECT system_id FROM toner WHERE id = ?`, toner.ID).Scan(&before)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return toner, notFound(doing, "such toner")
		case err != nil:
			return toner, err
		case before != system:
			return toner, problem("system", "a toner stays in its paint system. Enter a new toner for %s.", toner.System)
		}
		err = t.change(`UPDATE toner SET name = ?, name_key = ?, code = ?, code_key = ?, words = ?, kind = ?, strength = ?, density = ?, per_litre = ?, swatch = ?,
				hazard = ?, sheet_url = ?, wet_first = ?, stocked = ?, replaced_by = ?, replaced_factor = ?, updated_at = ? WHERE id = ?`,
			toner.Name, nameKey(toner.Name), toner.Code, formula.FoldCode(toner.Code), words, string(toner.Kind), string(toner.Strength), toner.Density, int64(toner.PerLitre), toner.Swatch,
			toner.Hazard, toner.SheetURL, toner.WetFirst, toner.Stocked, by, factor, t.now.UnixMilli(), toner.ID)
	}
	if isUnique(err, "toner.name_key") {
		return toner, problem("name", "%s has a toner called %s already. Choose another name.", toner.System, toner.Name)
	}
	if err != nil {
		return toner, err
	}
	return toner, t.row(`SELECT name FROM paint_system WHERE id = ?`, system).Scan(&toner.System)
}

// system returns the number of a paint system, which it makes where it is new.
func (t *tx) system(name formula.System) (int64, error) {
	var id int64
	err := t.row(`SELECT id FROM paint_system WHERE name_key = ?`, nameKey(string(name))).Scan(&id)
	if !errors.Is(err, sql.ErrNoRows) {
		return id, err
	}
	return t.insert(`INSERT INTO paint_system (name, name_key) VALUES (?, ?)`, string(name), nameKey(string(name)))
}

// replacement finds the toner that is used instead of a superseded one.
func (t *tx) replacement(toner formula.Toner, system int64) (by sql.NullInt64, factor sql.NullFloat64, err error) {
	r := toner.Replaced
	if r == nil {
		return by, factor, nil
	}
	id, err := t.tonerByName(system, r.By)
	switch {
	case errors.Is(err, ErrNotFound):
		return by, factor, problem("replaced", "%s has no toner called %s. Enter that one first.", toner.System, r.By)
	case err != nil:
		return by, factor, err
	}
	seen := map[int64]bool{toner.ID: true}
	for next := number(id); next.Valid; {
		if seen[next.Int64] {
			return by, factor, problem("replaced", "%s would in the end be replaced by itself. Choose another toner.", toner.Name)
		}
		seen[next.Int64] = true
		if err := t.row(`SELECT replaced_by FROM toner WHERE id = ?`, next.Int64).Scan(&next); err != nil {
			return by, factor, err
		}
	}
	return number(id), sql.NullFloat64{Float64: r.Factor, Valid: true}, nil
}

func (t *tx) tonerByName(system int64, name string) (int64, error) {
	var id int64
	err := t.row(`SELECT id FROM toner WHERE system_id = ? AND name_key = ?`, system, nameKey(name)).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, ErrNotFound
	}
	return id, err
}

// DeleteToner takes away a toner that was entered by mistake. One that a formula, a plan or another toner names stays: ErrInUse.
func (s *Store) DeleteToner(ctx context.Context, id int64) error {
	const doing = "delete a toner"
	return s.update(ctx, doing, func(t *tx) error {
		err := t.change(`DELETE FROM toner WHERE id = ?`, id)
		switch {
		case errors.Is(err, ErrNotFound):
			return notFound(doing, "such toner")
		case isForeignKey(err):
			return failed(doing, fmt.Errorf("%w: %w", ErrInUse, err), "Formulas or other toners use this toner, so it stays. Mark it as not stocked instead.")
		}
		return err
	})
}

// SetStocked says whether a toner is on the shelf.
func (s *Store) SetStocked(ctx context.Context, id int64, stocked bool) error {
	const doing = "mark a toner"
	return s.update(ctx, doing, func(t *tx) error {
		err := t.change(`UPDATE toner SET stocked = ?, updated_at = ? WHERE id = ?`, stocked, t.now.UnixMilli(), id)
		if errors.Is(err, ErrNotFound) {
			return notFound(doing, "such toner")
		}
		return err
	})
}

// Toner returns one toner, ErrNotFound where there is none.
func (s *Store) Toner(ctx context.Context, id int64) (formula.Toner, error) {
	return oneToner(ctx, s.read, `t.id = ?`, id)
}

// TonerByName returns the toner of that name in a paint system; case and spacing do not count.
func (s *Store) TonerByName(ctx context.Context, system formula.System, name string) (formula.Toner, error) {
	return oneToner(ctx, s.read, `s.name_key = ? AND t.name_key = ?`, nameKey(string(system)), nameKey(name))
}

func oneToner(ctx context.Context, q querier, where string, args ...any) (formula.Toner, error) {
	const doing = "read a toner"
	var row tonerRow
	err := q.QueryRowContext(ctx, `SELECT `+tonerColumns+` FROM `+tonerTables+` WHERE `+where, args...).Scan(row.targets()...)
	if errors.Is(err, sql.ErrNoRows) {
		return formula.Toner{}, notFound(doing, "such toner")
	}
	return row.value(), explain(doing, err)
}

// Toners lists toners by system and name.
func (s *Store) Toners(ctx context.Context, f TonerFilter) ([]formula.Toner, error) {
	where, args, err := f.where()
	if err != nil {
		return nil, err
	}
	limit := f.Limit
	if limit <= 0 {
		limit = -1 // SQLite's word for all
	}
	all, err := collect(ctx, s.read, `SELECT `+tonerColumns+` FROM `+tonerTables+` WHERE `+where+` ORDER BY s.name_key, t.name_key, t.id LIMIT ? OFFSET ?`,
		append(args, limit, max(f.Offset, 0)), scanToner)
	return all, explain("list toners", err)
}

func (f TonerFilter) where() (string, []any, error) {
	where, args := []string{"1"}, []any(nil)
	if f.System != "" {
		where, args = append(where, "s.name_key = ?"), append(args, nameKey(string(f.System)))
	}
	if f.Kind != "" {
		where, args = append(where, "t.kind = ?"), append(args, string(f.Kind))
	}
	if f.Stocked {
		where = append(where, "t.stocked = 1")
	}
	terms, err := searchTerms(f.Text)
	if err != nil {
		return "", nil, err
	}
	for _, term := range terms { // a beginning of any word, or of the code without its punctuation
		where = append(where, "(instr(' ' || t.words, ' ' || ?) OR instr(t.code_key, ?) = 1)")
		args = append(args, term, term)
	}
	return strings.Join(where, " AND "), args, nil
}

// CompleteToners returns toners of a system ("": of all) whose name or code goes on from what was typed, the likeliest first:
// the very code, then codes and names that begin so, then the rest; stocked before not stocked. A limit of 0 means 10.
func (s *Store) CompleteToners(ctx context.Context, system formula.System, text string, limit int) ([]formula.Toner, error) {
	where, args, err := TonerFilter{System: system, Text: text}.where()
	if err != nil {
		return nil, err
	}
	if limit <= 0 {
		limit = 10
	}
	code, name := formula.FoldCode(text), formula.Fold(text)
	all, err := collect(ctx, s.read, `SELECT `+tonerColumns+` FROM `+tonerTables+` WHERE `+where+`
		ORDER BY CASE WHEN t.code_key = ? AND ? <> '' THEN 0 WHEN instr(t.code_key, ?) = 1 THEN 1 WHEN instr(t.words, ?) = 1 THEN 2 ELSE 3 END,
			t.stocked DESC, t.name_key, t.id LIMIT ?`, append(args, code, code, code, name, limit), scanToner)
	return all, explain("complete a toner", err)
}

// Systems lists the paint systems by name.
func (s *Store) Systems(ctx context.Context) ([]formula.System, error) {
	all, err := collect(ctx, s.read, `SELECT name FROM paint_system ORDER BY name_key`, nil, func(r *sql.Rows, name *formula.System) error { return r.Scan(name) })
	return all, explain("list paint systems", err)
}

var swatchForm = regexp.MustCompile(`^#[0-9a-fA-F]{6}$`)

const (
	longestName = 200    // letters
	longestText = 20_000 // letters of notes
)

func checkToner(t formula.Toner) error {
	var ps formula.Problems
	add := func(field, format string, args ...any) {
		ps = append(ps, formula.Problem{Field: field, Detail: fmt.Sprintf(format, args...)})
	}
	if t.Name == "" {
		add("name", "a toner needs a name. Enter one.")
	}
	if t.System == "" {
		add("system", "a toner belongs to a paint system. Choose one or enter a new one.")
	}
	if !slices.Contains(formula.Kinds, t.Kind) {
		add("kind", "%q is no kind of toner. Choose one of the list.", string(t.Kind))
	}
	if t.Strength != "" && !slices.Contains(formula.Strengths, t.Strength) {
		add("strength", "%q is no strength. Choose strong, medium or weak.", string(t.Strength))
	}
	if math.IsNaN(t.Density) || t.Density < 0 || t.Density > 25 { // the densest metal is below 23
		add("density", "a density lies between 0 and 25 g/mL; paints have 0.7 to 2.5. Correct it or leave it empty.")
	}
	if t.PerLitre < 0 {
		add("price", "a price is not below 0. Correct it or leave it empty.")
	}
	if t.Swatch != "" && !swatchForm.MatchString(t.Swatch) {
		add("swatch", "a swatch is written like #3a7f2c. Choose it again.")
	}
	if r := t.Replaced; r != nil && !(r.Factor > 0 && r.Factor <= 100) {
		add("replaced", "the factor of a replacement lies between 0 and 100 grams for each gram. Correct it.")
	}
	for field, value := range map[string]string{"name": t.Name, "code": t.Code, "system": string(t.System)} {
		checkText(&ps, field, value, longestName)
	}
	checkText(&ps, "hazard", t.Hazard, longestText)
	checkText(&ps, "sheet", t.SheetURL, longestText)
	slices.SortStableFunc(ps, func(a, b formula.Problem) int { return strings.Compare(a.Field, b.Field) })
	return ps.Err()
}

func checkText(ps *formula.Problems, field, value string, most int) {
	switch {
	case !utf8.ValidString(value) || strings.ContainsRune(value, 0):
		*ps = append(*ps, formula.Problem{Field: field, Detail: "the text has letters that are none. Type it again."})
	case utf8.RuneCountInString(value) > most:
		*ps = append(*ps, formula.Problem{Field: field, Detail: fmt.Sprintf("the text has more than %d letters. Make it shorter.", most)})
	}
}

func problem(field, format string, args ...any) error {
	return formula.Problems{{Field: field, Detail: fmt.Sprintf(format, args...)}}
}
