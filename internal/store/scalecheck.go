package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

// ScaleCheck is one check of a scale with a known weight.
type ScaleCheck struct {
	ID       int64
	At       time.Time
	By       string
	Scale    string    // its name on the screens
	Known    gram.Mass // what the weight weighs
	Empty    gram.Mass // what the scale read without the weight
	Loaded   gram.Mass // and with it
	Division gram.Mass // of the display with the weight on
	Passed   bool      // worked out by SaveScaleCheck
}

// Off returns by how much the scale reads too much; below zero, too little.
func (c ScaleCheck) Off() gram.Mass { return c.Loaded - c.Empty - c.Known }

// passes reports whether the scale is off by no more than one division: each of its two readings may be rounded by half
// of one. Common practice, no source.
func (c ScaleCheck) passes() bool { return c.Off().Abs() <= c.Division }

// SaveScaleCheck keeps a check, says whether the scale passed it, and returns it with its number. A check without a
// time is of now.
func (s *Store) SaveScaleCheck(ctx context.Context, c ScaleCheck) (ScaleCheck, error) {
	const doing = "keep the check of the scale"
	c.By, c.Scale = tidy(c.By), tidy(c.Scale)
	var ps formula.Problems
	add := func(field, format string, args ...any) {
		ps = append(ps, formula.Problem{Field: field, Detail: fmt.Sprintf(format, args...)})
	}
	if c.Known <= 0 || c.Known > 100*gram.Kilogram {
		add("known", "the weight weighs more than 0 and at most 100 kg. Read it off the weight.")
	}
	if c.Division <= 0 {
		add("division", "the smallest step of the scale is not known. Enter it first.")
	}
	if c.Empty.Abs() > gram.MaxMass || c.Loaded.Abs() > gram.MaxMass {
		add("loaded", "that is no reading of a scale. Check it again.")
	}
	if c.Scale == "" {
		add("scale", "the scale has no name. Choose it on its page first.")
	}
	checkText(&ps, "scale", c.Scale, longestName)
	checkText(&ps, "by", c.By, longestName)
	if err := ps.Err(); err != nil {
		return ScaleCheck{}, err
	}
	c.Passed = c.passes()
	err := s.update(ctx, doing, func(t *tx) error {
		if c.At.IsZero() {
			c.At = t.now
		}
		c.At = stamp(c.At)
		var err error
		c.ID, err = t.insert(`INSERT INTO scale_check (at, person, scale, known, empty, loaded, division, passed) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`,
			c.At.UnixMilli(), c.By, c.Scale, int64(c.Known), int64(c.Empty), int64(c.Loaded), int64(c.Division), c.Passed)
		return err
	})
	if err != nil {
		return ScaleCheck{}, err
	}
	return c, nil
}

const checkColumns = `SELECT id, at, person, scale, known, empty, loaded, division, passed FROM scale_check`

func scanCheck(scan func(...any) error, c *ScaleCheck) error {
	var at int64
	err := scan(&c.ID, &at, &c.By, &c.Scale, &c.Known, &c.Empty, &c.Loaded, &c.Division, &c.Passed)
	c.At = time.UnixMilli(at).UTC()
	return err
}

// ScaleChecks lists the newest checks first, at most limit of them.
func (s *Store) ScaleChecks(ctx context.Context, limit int) ([]ScaleCheck, error) {
	all, err := collect(ctx, s.read, checkColumns+` ORDER BY at DESC, id DESC LIMIT ?`, []any{limit}, func(rows *sql.Rows, c *ScaleCheck) error {
		return scanCheck(rows.Scan, c)
	})
	return all, explain("list the checks of the scale", err)
}

// ScaleCheckBefore returns the last check at or before a moment, ErrNotFound where there is none.
func (s *Store) ScaleCheckBefore(ctx context.Context, at time.Time) (ScaleCheck, error) {
	const doing = "read a check of the scale"
	var c ScaleCheck
	err := scanCheck(s.read.QueryRowContext(ctx, checkColumns+` WHERE at <= ? ORDER BY at DESC, id DESC LIMIT 1`, at.UnixMilli()).Scan, &c)
	if errors.Is(err, sql.ErrNoRows) {
		return ScaleCheck{}, notFound(doing, "such check")
	}
	return c, explain(doing, err)
}
