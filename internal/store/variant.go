package store

import (
	"context"
	"database/sql"
	"errors"

	"pourbook/internal/formula"
)

// CreateVariant keeps our own formula derived from another. f.Parent names that one, perhaps one revision or batch
// of it, and must give the reason. A variant stays in its parent's paint system.
func (s *Store) CreateVariant(ctx context.Context, f formula.Formula, r formula.Revision) (formula.Formula, formula.Revision, error) {
	const doing = "create a variant"
	var none formula.Formula
	if f.Parent == nil || f.Parent.FormulaID == 0 {
		return none, formula.Revision{}, invalid(doing, "A variant comes from another formula. Choose that one first.")
	}
	origin := *f.Parent
	origin.Reason = tidy(origin.Reason)
	f.Parent = &origin
	err := s.update(ctx, doing, func(t *tx) error {
		parent, err := oneFormula(context.Background(), t.conn, origin.FormulaID)
		if err != nil {
			return err
		}
		if f.System == "" {
			f.System = parent.System
		}
		if nameKey(string(f.System)) != nameKey(string(parent.System)) {
			return problem("system", "a variant stays in its formula's paint system, %s. Paint systems do not mix.", parent.System)
		}
		if origin.RevisionID != 0 {
			var found int
			err := t.row(`SELECT 1 FROM revision WHERE id = ? AND formula_id = ?`, origin.RevisionID, origin.FormulaID).Scan(&found)
			if errors.Is(err, sql.ErrNoRows) {
				return notFound(doing, "such revision of that formula")
			}
			if err != nil {
				return err
			}
		}
		if origin.BatchID != "" {
			var found int
			err := t.row(`SELECT 1 FROM batch WHERE id = ?`, origin.BatchID).Scan(&found)
			if errors.Is(err, sql.ErrNoRows) {
				return notFound(doing, "such batch")
			}
			if err != nil {
				return err
			}
		}
		if f, err = t.insertFormula(f); err != nil {
			return err
		}
		r, err = t.insertRevision(f, r, false)
		return err
	})
	if err != nil {
		return none, formula.Revision{}, err
	}
	return f, r, nil
}

// familyOf is the tree that holds formula ?: up to its root, then down to every variant, with the depth of each.
// A parent is set once and exists before its child, so there is no circle; the bound only keeps a damaged file from
// hanging the program.
const familyOf = `WITH RECURSIVE
	up (id, parent, steps) AS (
		SELECT id, parent_formula, 0 FROM formula WHERE id = ?
		UNION ALL
		SELECT f.id, f.parent_formula, steps + 1 FROM up JOIN formula f ON f.id = up.parent WHERE steps < 1000
	),
	root (id) AS (SELECT id FROM up WHERE parent IS NULL),
	family (id, depth) AS (
		SELECT id, 0 FROM root
		UNION ALL
		SELECT f.id, depth + 1 FROM family JOIN formula f ON f.parent_formula = family.id WHERE depth < 1000
	)`

// Family returns the whole tree that a formula belongs to: its root, then the variants of each generation in the order
// in which they were made. Parents come before their children.
func (s *Store) Family(ctx context.Context, formulaID int64) ([]formula.Formula, error) {
	const doing = "read a family of formulas"
	all, err := collect(ctx, s.read, familyOf+` SELECT `+formulaColumns+` FROM `+formulaTables+` JOIN family ON family.id = f.id ORDER BY family.depth, f.id`, []any{formulaID}, scanFormula)
	if err == nil && len(all) == 0 {
		return nil, notFound(doing, "such formula")
	}
	return all, explain(doing, err)
}

// rootOf returns the formula from which a whole family comes.
func (t *tx) rootOf(formulaID int64) (int64, error) {
	var root int64
	err := t.row(familyOf+` SELECT id FROM root`, formulaID).Scan(&root)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, notFound("read a family of formulas", "such formula")
	}
	return root, err
}
