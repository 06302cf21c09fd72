package store

import (
	"bytes"
	"database/sql"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// How Go values become columns: times as milliseconds, lists as JSON, names as keys to compare.

// stamp returns t as the book keeps it: UTC, whole milliseconds, no monotonic clock.
func stamp(t time.Time) time.Time {
	if t.IsZero() {
		return time.Time{}
	}
	return t.UTC().Truncate(time.Millisecond)
}

// millis returns t as a column, null where it is not set.
func millis(t time.Time) sql.NullInt64 {
	return sql.NullInt64{Int64: t.UnixMilli(), Valid: !t.IsZero()}
}

func timeOf(ms sql.NullInt64) time.Time {
	if !ms.Valid {
		return time.Time{}
	}
	return time.UnixMilli(ms.Int64).UTC()
}

// number returns an id as a column, null where it is 0.
func number(id int64) sql.NullInt64 { return sql.NullInt64{Int64: id, Valid: id != 0} }

func text(s string) sql.NullString { return sql.NullString{String: s, Valid: s != ""} }

// asJSON returns v as a column; letters such as < stay themselves. A nil list becomes [].
func asJSON(v any) (string, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return "", fmt.Errorf("encode %T: %w", v, err)
	}
	if s := strings.TrimSpace(b.String()); s != "null" {
		return s, nil
	}
	return "[]", nil
}

func fromJSON(column string, v any) error {
	if err := json.Unmarshal([]byte(column), v); err != nil {
		return fmt.Errorf("decode %T: %w", v, err)
	}
	return nil
}

// nameKey returns what two spellings of one name have in common: case and spacing do not count, accents do.
func nameKey(s string) string {
	return strings.Join(strings.Fields(norm.NFC.String(cases.Fold().String(norm.NFC.String(s)))), " ")
}

// tidy returns a name without outer and doubled spaces.
func tidy(s string) string { return strings.Join(strings.Fields(s), " ") }

// paging returns the rows to give and to skip: 50 where none are asked for.
func paging(limit, offset int) (int, int) {
	if limit <= 0 {
		limit = 50
	}
	return limit, max(offset, 0)
}
