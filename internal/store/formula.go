package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

const formulaColumns = `f.id, f.name, f.code, f.alternate, f.years, f.tags, s.name, f.coat, f.finish, f.swatch, f.target_l, f.target_a, f.target_b,
	f.notes, f.parent_formula, f.parent_revision, f.parent_batch, f.reason, f.retired, f.created_at`

const formulaTables = `formula f JOIN paint_system s ON s.id = f.system_id`

// formulaRow is where the columns of a formula are scanned to.
type formulaRow struct {
	formula          formula.Formula
	tags             string
	l, a, b          sql.NullFloat64
	parent, revision sql.NullInt64
	batch            sql.NullString
	reason           string
	created          sql.NullInt64
}

func (r *formulaRow) targets() []any {
	f := &r.formula
	return []any{
		&f.ID, &f.Name, &f.Code, &f.Alternate, &f.Years, &r.tags, &f.System, &f.Coat, &f.Finish, &f.Swatch, &r.l, &r.a, &r.b,
		&f.Notes, &r.parent, &r.revision, &r.batch, &r.reason, &f.Retired, &r.created,
	}
}

func (r *formulaRow) value() (formula.Formula, error) {
	f := r.formula
	if r.l.Valid {
		f.Target = &colour.Lab{L: r.l.Float64, A: r.a.Float64, B: r.b.Float64}
	}
	if r.parent.Valid {
		f.Parent = &formula.Origin{FormulaID: r.parent.Int64, RevisionID: r.revision.Int64, BatchID: r.batch.String, Reason: r.reason}
	}
	f.CreatedAt = timeOf(r.created)
	err := fromJSON(r.tags, &f.Tags)
	if len(f.Tags) == 0 {
		f.Tags = nil
	}
	return f, err
}

func scanFormula(rows *sql.Rows, f *formula.Formula) error {
	var row formulaRow
	err := rows.Scan(row.targets()...)
	if err == nil {
		*f, err = row.value()
	}
	return err
}

// CreateFormula keeps a new formula with its first revision. The toners of the lines are found by ID, or by name within the
// formula's paint system, and must be on the list. What is wrong comes back as formula.Problems.
func (s *Store) CreateFormula(ctx context.Context, f formula.Formula, r formula.Revision) (formula.Formula, formula.Revision, error) {
	const doing = "create a formula"
	if f.Parent != nil {
		return formula.Formula{}, formula.Revision{}, invalid(doing, "A formula that comes from another is a variant. Create it as one.")
	}
	return s.createFormula(ctx, doing, f, r)
}

func (s *Store) createFormula(ctx context.Context, doing string, f formula.Formula, r formula.Revision) (formula.Formula, formula.Revision, error) {
	err := s.update(ctx, doing, func(t *tx) error {
		var err error
		if f, err = t.insertFormula(f); err != nil {
			return err
		}
		r, err = t.insertRevision(f, r, false)
		return err
	})
	if err != nil {
		return formula.Formula{}, formula.Revision{}, err
	}
	return f, r, nil
}

// AddRevision keeps a new statement of a formula's lines under the next number. Earlier ones stay as they are.
func (s *Store) AddRevision(ctx context.Context, formulaID int64, r formula.Revision) (formula.Revision, error) {
	const doing = "add a revision"
	err := s.update(ctx, doing, func(t *tx) error {
		f, err := oneFormula(context.Background(), t.conn, formulaID)
		if err != nil {
			return err
		}
		r, err = t.insertRevision(f, r, false)
		return err
	})
	if err != nil {
		return formula.Revision{}, err
	}
	return r, nil
}

func tidyFormula(f formula.Formula) formula.Formula {
	f.Name, f.Code, f.Alternate, f.Years = tidy(f.Name), tidy(f.Code), tidy(f.Alternate), tidy(f.Years)
	f.System = formula.System(tidy(string(f.System)))
	var tags []string
	for _, tag := range f.Tags {
		tag = tidy(tag)
		if tag != "" && !slices.ContainsFunc(tags, func(have string) bool { return nameKey(have) == nameKey(tag) }) {
			tags = append(tags, tag)
		}
	}
	f.Tags = tags
	return f
}

// searchWords returns what of a formula the search index reads.
func searchWords(f formula.Formula) string {
	parts := append([]string{f.Name, f.Alternate, f.Code, formula.FoldCode(f.Code), f.Years}, f.Tags...)
	return formula.Fold(strings.Join(parts, " "))
}

func (t *tx) insertFormula(f formula.Formula) (formula.Formula, error) {
	f = tidyFormula(f)
	if err := checkFormula(f); err != nil {
		return f, err
	}
	system, err := t.system(f.System)
	if err != nil {
		return f, err
	}
	if err := t.row(`SELECT name FROM paint_system WHERE id = ?`, system).Scan(&f.System); err != nil {
		return f, err
	}
	tags, err := asJSON(f.Tags)
	if err != nil {
		return f, err
	}
	if f.CreatedAt = stamp(f.CreatedAt); f.CreatedAt.IsZero() {
		f.CreatedAt = t.now
	}
	var origin formula.Origin
	if f.Parent != nil {
		origin = *f.Parent
	}
	l, a, b := target(f.Target)
	f.ID, err = t.insert(`INSERT INTO formula (name, name_key, code, code_key, alternate, years, tags, words, system_id, coat, finish, swatch, target_l, target_a, target_b,
			notes, parent_formula, parent_revision, parent_batch, reason, retired, created_at, updated_at)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		f.Name, formula.Fold(f.Name), f.Code, formula.FoldCode(f.Code), f.Alternate, f.Years, tags, searchWords(f), system, string(f.Coat), string(f.Finish), f.Swatch, l, a, b,
		f.Notes, number(origin.FormulaID), number(origin.RevisionID), text(origin.BatchID), origin.Reason, f.Retired, f.CreatedAt.UnixMilli(), t.now.UnixMilli())
	return f, err
}

func target(c *colour.Lab) (l, a, b sql.NullFloat64) {
	if c == nil {
		return l, a, b
	}
	return sql.NullFloat64{Float64: c.L, Valid: true}, sql.NullFloat64{Float64: c.A, Valid: true}, sql.NullFloat64{Float64: c.B, Valid: true}
}

// insertRevision keeps the lines of a formula. With unknown, toners that are not on the list are put on it as not stocked.
func (t *tx) insertRevision(f formula.Formula, r formula.Revision, unknown bool) (formula.Revision, error) {
	r.FormulaID, r.Lines = f.ID, slices.Clone(r.Lines)
	if err := t.findToners(f, r.Lines, unknown); err != nil {
		return r, err
	}
	if err := formula.Check(r.Lines); err != nil {
		return r, err
	}
	if err := checkRevision(r); err != nil {
		return r, err
	}
	r.Total, r.At = formula.Sum(r.Lines), stamp(r.At)
	if r.At.IsZero() {
		r.At = t.now
	}
	var reduction sql.NullString
	if r.Reduction != nil {
		column, err := asJSON(r.Reduction)
		if err != nil {
			return r, err
		}
		reduction = text(column)
	}
	if err := t.row(`SELECT coalesce(max(number), 0) + 1 FROM revision WHERE formula_id = ?`, f.ID).Scan(&r.Number); err != nil {
		return r, err
	}
	var err error
	r.ID, err = t.insert(`INSERT INTO revision (formula_id, number, total, line_count, reduction, pot_life, fixed_order, note, person, at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		f.ID, r.Number, int64(r.Total), len(r.Lines), reduction, r.PotLife.Milliseconds(), r.FixedOrder, r.Note, r.By, r.At.UnixMilli())
	if err != nil {
		return r, err
	}
	for i, line := range r.Lines {
		if err := t.exec(`INSERT INTO line (revision_id, position, toner_id, mass) VALUES (?, ?, ?, ?)`, r.ID, i+1, line.Toner.ID, int64(line.Mass)); err != nil {
			return r, err
		}
	}
	return r, nil
}

// findToners replaces the toner of each line by the one of the list.
func (t *tx) findToners(f formula.Formula, lines []formula.Line, unknown bool) error {
	var ps formula.Problems
	for i := range lines {
		wanted := lines[i].Toner
		var found formula.Toner
		var err error
		if wanted.ID != 0 {
			found, err = oneToner(context.Background(), t.conn, `t.id = ?`, wanted.ID)
		} else {
			if wanted.System == "" {
				wanted.System = f.System
			}
			found, err = oneToner(context.Background(), t.conn, `s.name_key = ? AND t.name_key = ?`, nameKey(string(wanted.System)), nameKey(wanted.Name))
		}
		if errors.Is(err, ErrNotFound) && unknown && wanted.ID == 0 {
			wanted.Stocked, wanted.Replaced = false, nil
			if wanted.Kind == "" {
				wanted.Kind = formula.Solid
			}
			if wanted.Strength == "" {
				wanted.Strength = formula.Medium
			}
			found, err = t.saveToner(wanted)
		}
		var bad formula.Problems
		switch {
		case errors.Is(err, ErrNotFound):
			ps = append(ps, formula.Problem{Line: i + 1, Field: "toner", Detail: fmt.Sprintf("%s is not on the shelf list of %s. Enter it there first or choose another.", nameOr(wanted.Name, "this toner"), f.System)})
		case errors.As(err, &bad):
			ps = append(ps, formula.Problem{Line: i + 1, Field: "toner", Detail: bad[0].Detail})
		case err != nil:
			return err
		case nameKey(string(found.System)) != nameKey(string(f.System)):
			ps = append(ps, formula.Problem{Line: i + 1, Field: "system", Detail: fmt.Sprintf("%s belongs to %s, but the formula belongs to %s. Paint systems do not mix: choose a toner of %s.", found.Name, found.System, f.System, f.System)})
		default:
			lines[i].Toner = found
		}
	}
	return ps.Err()
}

func nameOr(name, other string) string {
	if tidy(name) == "" {
		return other
	}
	return name
}

// UpdateFormula changes what is said about a formula: names, code, years, tags, coat, finish, swatch, target, notes and, of a
// variant, its reason. System, origin, lines and whether it is retired stay.
func (s *Store) UpdateFormula(ctx context.Context, f formula.Formula) (formula.Formula, error) {
	const doing = "change a formula"
	err := s.update(ctx, doing, func(t *tx) error {
		before, err := oneFormula(context.Background(), t.conn, f.ID)
		if err != nil {
			return err
		}
		f.System, f.CreatedAt, f.Retired = before.System, before.CreatedAt, before.Retired
		reason := ""
		if before.Parent != nil {
			origin := *before.Parent
			if f.Parent != nil {
				origin.Reason = tidy(f.Parent.Reason)
			}
			f.Parent, reason = &origin, origin.Reason
		} else {
			f.Parent = nil
		}
		f = tidyFormula(f)
		if err := checkFormula(f); err != nil {
			return err
		}
		tags, err := asJSON(f.Tags)
		if err != nil {
			return err
		}
		l, a, b := target(f.Target)
		return t.change(`UPDATE formula SET name = ?, name_key = ?, code = ?, code_key = ?, alternate = ?, years = ?, tags = ?, words = ?, coat = ?, finish = ?, swatch = ?,
				target_l = ?, target_a = ?, target_b = ?, notes = ?, reason = ?, updated_at = ? WHERE id = ?`,
			f.Name, formula.Fold(f.Name), f.Code, formula.FoldCode(f.Code), f.Alternate, f.Years, tags, searchWords(f), string(f.Coat), string(f.Finish), f.Swatch,
			l, a, b, f.Notes, reason, t.now.UnixMilli(), f.ID)
	})
	if err != nil {
		return formula.Formula{}, err
	}
	return f, nil
}

// Retire takes a formula out of the lists, or puts it back. Nothing is deleted.
func (s *Store) Retire(ctx context.Context, id int64, retired bool) error {
	const doing = "retire a formula"
	return s.update(ctx, doing, func(t *tx) error {
		err := t.change(`UPDATE formula SET retired = ?, updated_at = ? WHERE id = ?`, retired, t.now.UnixMilli(), id)
		if errors.Is(err, ErrNotFound) {
			return notFound(doing, "such formula")
		}
		return err
	})
}

// Formula returns one formula, ErrNotFound where there is none.
func (s *Store) Formula(ctx context.Context, id int64) (formula.Formula, error) {
	return oneFormula(ctx, s.read, id)
}

func oneFormula(ctx context.Context, q querier, id int64) (formula.Formula, error) {
	const doing = "read a formula"
	var row formulaRow
	err := q.QueryRowContext(ctx, `SELECT `+formulaColumns+` FROM `+formulaTables+` WHERE f.id = ?`, id).Scan(row.targets()...)
	if errors.Is(err, sql.ErrNoRows) {
		return formula.Formula{}, notFound(doing, "such formula")
	}
	if err != nil {
		return formula.Formula{}, explain(doing, err)
	}
	f, err := row.value()
	return f, explain(doing, err)
}

// Revision returns one revision with its lines, ErrNotFound where there is none.
func (s *Store) Revision(ctx context.Context, id int64) (formula.Revision, error) {
	const doing = "read a revision"
	all, err := revisions(ctx, s.read, `r.id = ?`, id)
	if err != nil {
		return formula.Revision{}, explain(doing, err)
	}
	if len(all) == 0 {
		return formula.Revision{}, notFound(doing, "such revision")
	}
	return all[0], nil
}

// LatestRevision returns the newest revision of a formula, ErrNotFound where there is no such formula.
func (s *Store) LatestRevision(ctx context.Context, formulaID int64) (formula.Revision, error) {
	const doing = "read the latest revision"
	all, err := revisions(ctx, s.read, `r.id = (SELECT id FROM revision WHERE formula_id = ? ORDER BY number DESC LIMIT 1)`, formulaID)
	if err != nil {
		return formula.Revision{}, explain(doing, err)
	}
	if len(all) == 0 {
		return formula.Revision{}, notFound(doing, "such formula")
	}
	return all[0], nil
}

// Revisions returns every revision of a formula with its lines, newest first.
func (s *Store) Revisions(ctx context.Context, formulaID int64) ([]formula.Revision, error) {
	all, err := revisions(ctx, s.read, `r.formula_id = ?`, formulaID)
	return all, explain("read the revisions of a formula", err)
}

// revisions reads revisions with their lines in one query, newest first.
func revisions(ctx context.Context, q querier, where string, arg any) ([]formula.Revision, error) {
	type row struct {
		revision  formula.Revision
		reduction sql.NullString
		potLife   int64
		at        sql.NullInt64
		toner     tonerRow
		mass      gram.Mass
	}
	rows, err := collect(ctx, q, `SELECT r.id, r.formula_id, r.number, r.total, r.reduction, r.pot_life, r.fixed_order, r.note, r.person, r.at, l.mass, `+tonerColumns+`
		FROM revision r JOIN line l ON l.revision_id = r.id JOIN toner t ON t.id = l.toner_id JOIN paint_system s ON s.id = t.system_id LEFT JOIN toner n ON n.id = t.replaced_by
		WHERE `+where+` ORDER BY r.number DESC, r.id, l.position`, []any{arg}, func(rows *sql.Rows, to *row) error {
		r := &to.revision
		return rows.Scan(append([]any{&r.ID, &r.FormulaID, &r.Number, &r.Total, &to.reduction, &to.potLife, &r.FixedOrder, &r.Note, &r.By, &to.at, &to.mass}, to.toner.targets()...)...)
	})
	if err != nil {
		return nil, err
	}
	var all []formula.Revision
	for i := range rows {
		row := &rows[i]
		if n := len(all); n == 0 || all[n-1].ID != row.revision.ID {
			r := row.revision
			r.PotLife, r.At = time.Duration(row.potLife)*time.Millisecond, timeOf(row.at)
			if row.reduction.Valid {
				r.Reduction = new(formula.Ratio)
				if err := fromJSON(row.reduction.String, r.Reduction); err != nil {
					return nil, err
				}
			}
			all = append(all, r)
		}
		r := &all[len(all)-1]
		r.Lines = append(r.Lines, formula.Line{Toner: row.toner.value(), Mass: row.mass})
	}
	return all, nil
}

// Alternates lists the other formulas of the same code, coat and paint system, standard first.
func (s *Store) Alternates(ctx context.Context, f formula.Formula) ([]formula.Formula, error) {
	code := formula.FoldCode(f.Code)
	if code == "" {
		return nil, nil
	}
	all, err := collect(ctx, s.read, `SELECT `+formulaColumns+` FROM `+formulaTables+`
		WHERE f.code_key = ? AND f.id <> ? AND s.name_key = ? AND f.coat = ? ORDER BY f.alternate <> '', f.alternate, f.id`,
		[]any{code, f.ID, nameKey(string(f.System)), string(f.Coat)}, scanFormula)
	return all, explain("list alternates", err)
}

// ExportAll hands over every revision of every formula, oldest first, retired ones too, as they were at one moment.
// It stops at the first error that do returns, and returns it.
func (s *Store) ExportAll(ctx context.Context, do func(formula.Formula, formula.Revision) error) error {
	const doing = "export the book"
	snapshot, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return explain(doing, err)
	}
	defer func() { _ = snapshot.Rollback() }() // it only read
	for last := int64(0); ; {
		formulas, err := collect(ctx, snapshot, `SELECT `+formulaColumns+` FROM `+formulaTables+` WHERE f.id > ? ORDER BY f.id LIMIT 200`, []any{last}, scanFormula)
		if err != nil {
			return explain(doing, err)
		}
		if len(formulas) == 0 {
			return nil
		}
		for _, f := range formulas {
			last = f.ID
			all, err := revisions(ctx, snapshot, `r.formula_id = ?`, f.ID)
			if err != nil {
				return explain(doing, err)
			}
			slices.Reverse(all)
			for _, r := range all {
				if err := do(f, r); err != nil {
					return err
				}
			}
		}
	}
}

// NewEntry is one formula to import. Its toners are found by name; those that are not on the shelf list are put on it
// as not stocked, of the kind and strength that the line says (solid and medium where it says nothing).
type NewEntry struct {
	Formula   formula.Formula
	Revisions []formula.Revision // oldest first, at least one
}

// ImportFormulas keeps all entries in one transaction, or none, and returns their numbers. What is wrong names the entry.
func (s *Store) ImportFormulas(ctx context.Context, entries []NewEntry) ([]int64, error) {
	const doing = "import formulas"
	ids := make([]int64, 0, len(entries))
	err := s.update(ctx, doing, func(t *tx) error {
		for i, entry := range entries {
			id, err := t.importEntry(entry)
			if err != nil {
				if words := Sentence(err); words != "" {
					return failed(doing, err, fmt.Sprintf("Formula %d (%s): %s Nothing was imported.", i+1, nameOr(entry.Formula.Name, "no name"), words))
				}
				return err
			}
			ids = append(ids, id)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return ids, nil
}

func (t *tx) importEntry(e NewEntry) (int64, error) {
	if len(e.Revisions) == 0 {
		return 0, problem("toner", "there are no lines. Enter at least one toner and its weight.")
	}
	if e.Formula.Parent != nil && tidy(e.Formula.Parent.Reason) == "" {
		return 0, problem("reason", "a variant needs its reason. Enter one.")
	}
	f, err := t.insertFormula(e.Formula)
	if isForeignKey(err) {
		return 0, problem("parent", "the formula that this one comes from is not in the book. Import that one first.")
	}
	if err != nil {
		return 0, err
	}
	for _, r := range e.Revisions {
		if _, err := t.insertRevision(f, r, true); err != nil {
			return 0, err
		}
	}
	return f.ID, nil
}

func checkFormula(f formula.Formula) error {
	var ps formula.Problems
	add := func(field, format string, args ...any) {
		ps = append(ps, formula.Problem{Field: field, Detail: fmt.Sprintf(format, args...)})
	}
	if f.Name == "" {
		add("name", "a formula needs a name. Enter one.")
	}
	if f.System == "" {
		add("system", "a formula belongs to a paint system. Choose one.")
	}
	if !slices.Contains(formula.Coats, f.Coat) {
		add("coat", "%q is no coat. Choose one of the list.", string(f.Coat))
	}
	if !slices.Contains(formula.Finishes, f.Finish) {
		add("finish", "%q is no finish. Choose one of the list.", string(f.Finish))
	}
	if f.Swatch != "" && !swatchForm.MatchString(f.Swatch) {
		add("swatch", "a swatch is written like #3a7f2c. Choose it again.")
	}
	if f.Target != nil {
		if err := f.Target.Valid(); err != nil {
			add("target", "%s.", err)
		}
	}
	if f.Parent != nil && tidy(f.Parent.Reason) == "" {
		add("reason", "a variant needs its reason, so that in three years somebody knows why. Enter one.")
	}
	checkText(&ps, "name", f.Name, longestName)
	checkText(&ps, "code", f.Code, longestName)
	checkText(&ps, "alternate", f.Alternate, longestName)
	checkText(&ps, "years", f.Years, longestName)
	checkText(&ps, "tags", strings.Join(f.Tags, " "), 10*longestName)
	checkText(&ps, "notes", f.Notes, longestText)
	if f.Parent != nil {
		checkText(&ps, "reason", f.Parent.Reason, longestText)
	}
	return ps.Err()
}

func checkRevision(r formula.Revision) error {
	var ps formula.Problems
	if r.PotLife < 0 {
		ps = append(ps, formula.Problem{Field: "pot_life", Detail: "a pot life is not below 0. Correct it or leave it empty."})
	}
	checkText(&ps, "note", r.Note, longestText)
	checkText(&ps, "by", r.By, longestName)
	if q := r.Reduction; q != nil {
		if q.By != "volume" && q.By != "weight" {
			ps = append(ps, formula.Problem{Field: "reduction", Detail: "a reduction is by volume or by weight. Choose one."})
		}
		if !positive(q.Paint) || len(q.Parts) == 0 {
			ps = append(ps, formula.Problem{Field: "reduction", Detail: "a reduction needs parts of paint and of at least one more. Correct it or leave it empty."})
		}
		for _, p := range q.Parts {
			if tidy(p.Name) == "" || !positive(p.Parts) || p.Kind != formula.Hardener && p.Kind != formula.Reducer || math.IsNaN(p.Density) || p.Density < 0 || p.Density > 25 {
				ps = append(ps, formula.Problem{Field: "reduction", Detail: fmt.Sprintf("%s needs a name, parts above 0, a density and whether it is hardener or reducer. Correct it.", nameOr(p.Name, "a part"))})
			}
		}
	}
	return ps.Err()
}

func positive(v float64) bool { return v > 0 && v < 1e6 }
