// Package migrations holds the SQL that makes and upgrades a book, one numbered file a step.
//
// A file that was ever released never changes: a later need is a later file. The runner is the store's.
// Units in every table: masses are whole milligrams, money is whole minor units of the shop's currency,
// times are whole milliseconds since 1970 in UTC, densities are g/mL. Columns that end in _key or are called
// words hold folded text for finding and comparing and are written by the store.
package migrations

import "embed"

// Files holds NNNN_subject.sql, applied in the order of their numbers.
//
//go:embed *.sql
var Files embed.FS
