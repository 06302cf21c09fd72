package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"

	"pourbook/migrations"
)

// migration is one numbered SQL file; after it PRAGMA user_version is its number.
type migration struct {
	version int
	name    string
	sql     string
}

var steps = sync.OnceValue(func() []migration {
	names, err := fs.Glob(migrations.Files, "*.sql")
	if err != nil {
		panic(err) // the pattern is a constant
	}
	slices.Sort(names)
	var all []migration
	for i, name := range names {
		number, _, _ := strings.Cut(name, "_")
		version, err := strconv.Atoi(number)
		text, readErr := migrations.Files.ReadFile(name)
		if err != nil || readErr != nil || version != i+1 {
			panic(fmt.Sprintf("store: migration %s is not number %d", name, i+1)) // a fault of the build, seen by every test
		}
		all = append(all, migration{version, name, string(text)})
	}
	return all
})

// newest returns the schema version of this program.
func newest() int { return len(steps()) }

// Version returns the schema version of the book.
func (s *Store) Version(ctx context.Context) (int, error) {
	var v int
	err := s.read.QueryRowContext(ctx, `PRAGMA user_version`).Scan(&v)
	return v, explain("read the version of the book", err)
}

// versionOf returns the schema version of a file, ErrNotABook where another program made it.
func versionOf(q querier) (int, error) {
	var version, application, tables int
	err := q.QueryRowContext(context.Background(),
		`SELECT (SELECT user_version FROM pragma_user_version), (SELECT application_id FROM pragma_application_id), (SELECT count(*) FROM sqlite_schema)`).
		Scan(&version, &application, &tables)
	if err != nil {
		return 0, err
	}
	if tables > 0 && application != ApplicationID {
		return 0, failed("open the book", ErrNotABook, "This file belongs to another program and is not a book. Choose another file.")
	}
	return version, nil
}

func newer(path string, version int) error {
	return failed("open the book", ErrNewer, fmt.Sprintf("%s was written by a newer Pourbook (its format is %d, this program knows up to %d). Install the newer program.", path, version, newest()))
}

// migrate brings the book up to version upTo (0: the newest), each file in a transaction of its own.
// A book that holds something already is copied first.
func migrate(w *writer, path string, upTo int) error {
	const doing = "upgrade the book"
	version, err := versionOf(w.conn)
	if err != nil {
		return failedFile("open the book", path, err)
	}
	if upTo == 0 {
		upTo = newest()
	}
	if version > 0 && version < upTo {
		if err := copyBefore(w.conn, path, version); err != nil {
			return err
		}
	}
	for _, m := range steps() {
		if m.version <= version || m.version > upTo {
			continue
		}
		script := fmt.Sprintf("BEGIN IMMEDIATE;\n%s\nPRAGMA application_id = %d; PRAGMA user_version = %d; COMMIT;", m.sql, ApplicationID, m.version)
		if _, err := w.conn.ExecContext(context.Background(), script); err != nil {
			_, _ = w.conn.ExecContext(context.Background(), `ROLLBACK`) // the failure above is the one to report
			return failedFile(fmt.Sprintf("%s with %s", doing, m.name), path, err)
		}
	}
	return nil
}

// copyBefore keeps the book as it is before an upgrade, under a name that is not taken yet.
func copyBefore(q *sql.Conn, path string, version int) error {
	name := fmt.Sprintf("%s.before-v%d", path, newest())
	for i := 2; ; i++ {
		if _, err := os.Lstat(name); errors.Is(err, fs.ErrNotExist) {
			break
		}
		name = fmt.Sprintf("%s.before-v%d-%d", path, newest(), i)
	}
	if _, err := q.ExecContext(context.Background(), `VACUUM INTO ?`, name); err != nil {
		return failedFile(fmt.Sprintf("copy the book of version %d before its upgrade", version), name, err)
	}
	return nil
}
