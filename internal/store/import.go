package store

import (
	"context"

	"pourbook/internal/formula"
)

// ImportToners keeps all toners in one transaction, or none: those with an ID are changed, the others are new. A toner
// may be replaced by one that stands further down.
func (s *Store) ImportToners(ctx context.Context, toners []formula.Toner) error {
	return s.update(ctx, "import toners", func(t *tx) error {
		kept := make([]formula.Toner, len(toners))
		for i, toner := range toners {
			first := toner
			first.Replaced = nil
			var err error
			if kept[i], err = t.saveToner(first); err != nil {
				return err
			}
		}
		for i, toner := range toners {
			if toner.Replaced == nil {
				continue
			}
			kept[i].Replaced = toner.Replaced
			if _, err := t.saveToner(kept[i]); err != nil {
				return err
			}
		}
		return nil
	})
}

// Holds says whether the book has a formula of this name, code, alternate, system and coat.
func (s *Store) Holds(ctx context.Context, f formula.Formula) (bool, error) {
	var n int
	err := s.read.QueryRowContext(ctx, `SELECT count(*) FROM formula f JOIN paint_system p ON p.id = f.system_id
		WHERE lower(f.name) = lower(?) AND f.code_key = ? AND lower(f.alternate) = lower(?) AND p.name_key = ? AND f.coat = ?`,
		tidy(f.Name), formula.FoldCode(f.Code), tidy(f.Alternate), nameKey(string(f.System)), string(f.Coat)).Scan(&n)
	return n > 0, explain("look a formula up", err)
}
