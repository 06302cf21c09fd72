package store

import (
	"database/sql"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
)

// A released schema is kept as a small book, so that every later program is tried on it. After adding a migration run
//
//	go test ./internal/store -run TestKeepBook -keep
//
// once and commit the new file (git add -f: *.db is ignored). Files that are there are never written again.
var keep = flag.Bool("keep", false, "write testdata/store/schema_vN.db for the schemas that have none yet")

const keptBooks = "../../testdata/store"

// stopAt makes or upgrades a book only up to a version.
func stopAt(version int) Option { return func(o *settingsOfOpen) { o.version = version } }

// keptFrom is the first schema that a released program could have left behind whole.
const keptFrom = 5

func TestKeepBook(t *testing.T) {
	if !*keep {
		t.Skip("-keep was not given")
	}
	for version := keptFrom; version <= newest(); version++ {
		path := filepath.Join(keptBooks, fmt.Sprintf("schema_v%d.db", version))
		if _, err := os.Stat(path); err == nil {
			continue
		}
		s := openBook(t, stopAt(version))
		keptContent(t, s)
		require.NoError(t, s.Copy(ctx, path))
	}
}

// keptContent is what every kept book holds.
func keptContent(t *testing.T, s *Store) {
	f, r := gate(t, s)
	_, _, err := s.CreateVariant(ctx, formula.Formula{
		Name: "Garden gate", Code: "K7-204/1", Alternate: "redder", Coat: formula.Base, Finish: formula.FinishSolid,
		Parent: &formula.Origin{FormulaID: f.ID, RevisionID: r.ID, Reason: "the doors were too green"},
	}, formula.Revision{Lines: r.Lines[:2]})
	require.NoError(t, err)
	p := plan(3)
	p.FormulaID, p.RevisionID, p.Revision = f.ID, r.ID, r.Number
	newHand(t, s, "kept-batch", p).fills()
}

func checkKeptContent(t *testing.T, s *Store) {
	for _, text := range []string{"garden", "k7204", "redder"} {
		page, err := s.Search(ctx, Query{Text: text})
		require.NoError(t, err)
		if assert.NotEmpty(t, page.Hits, text) {
			assert.Equal(t, "Garden gate", page.Hits[0].Formula.Name)
		}
	}
	state, err := s.State(ctx, "kept-batch")
	require.NoError(t, err)
	assert.Equal(t, 30*gram.Gram, state.Contents())
	assert.Len(t, state.Done, 3)
	family, err := s.Family(ctx, 2)
	require.NoError(t, err)
	require.Len(t, family, 2)
	assert.Equal(t, "the doors were too green", family[1].Parent.Reason)
	revision, err := s.Revision(ctx, 1)
	require.NoError(t, err)
	assert.Equal(t, 1000*gram.Gram, revision.Total)
	found, err := s.Check(ctx)
	require.NoError(t, err)
	assert.Empty(t, found)

	h := &hand{tb: t, store: s, batch: "kept-batch", device: "tablet", state: state, next: 100}
	h.does(pour.Stirred{})
	_, _, err = s.CreateFormula(ctx, entry("Later", ""), formula.Revision{Lines: revision.Lines})
	require.NoError(t, err)
}

func TestEveryKeptBookUpgrades(t *testing.T) {
	books, err := filepath.Glob(filepath.Join(keptBooks, "schema_v*.db"))
	require.NoError(t, err)
	require.Len(t, books, newest()-keptFrom+1, "a schema has no kept book: see -keep")
	for _, book := range books {
		t.Run(filepath.Base(book), func(t *testing.T) {
			data, err := os.ReadFile(book)
			require.NoError(t, err)
			path := filepath.Join(t.TempDir(), "book.db")
			require.NoError(t, os.WriteFile(path, data, 0o600))
			var was int
			_, err = fmt.Sscanf(filepath.Base(book), "schema_v%d.db", &was)
			require.NoError(t, err)

			if was < newest() {
				_, err := OpenReadOnly(path)
				require.ErrorIs(t, err, ErrOlder)
			}
			s := openAt(t, path)
			version, err := s.Version(ctx)
			require.NoError(t, err)
			assert.Equal(t, newest(), version)
			checkKeptContent(t, s)
			assert.Equal(t, schema(t, openBook(t)), schema(t, s), "an upgraded book has another schema than a new one: was a released file changed?")

			before := fmt.Sprintf("%s.before-v%d", path, newest())
			if was == newest() {
				_, err := os.Stat(before)
				require.ErrorIs(t, err, fs.ErrNotExist, "copied for nothing")
				return
			}
			old, err := Open(before, stopAt(was))
			require.NoError(t, err)
			version, err = old.Version(ctx)
			require.NoError(t, err)
			assert.Equal(t, was, version, "the copy is of the book before")
			require.NoError(t, old.Close())
		})
	}
}

// schema returns what SQLite keeps of the tables, indexes and triggers of a book.
func schema(t *testing.T, s *Store) []string {
	t.Helper()
	all, err := collect(ctx, s.read, `SELECT type || ' ' || name || ': ' || coalesce(sql, '') FROM sqlite_schema ORDER BY type, name`, nil, func(r *sql.Rows, text *string) error { return r.Scan(text) })
	require.NoError(t, err)
	return all
}

// A program that is killed between two migrations leaves a book of a version in between.
func TestUpgradeFromEveryVersion(t *testing.T) {
	for version := 1; version <= newest(); version++ {
		path := filepath.Join(t.TempDir(), "book.db")
		s, err := Open(path, stopAt(version))
		require.NoError(t, err)
		require.NoError(t, s.Close())
		s = openAt(t, path)
		keptContent(t, s)
		checkKeptContent(t, s)
	}
}

func TestCopyBeforeUpgradeOverwritesNothing(t *testing.T) {
	path := filepath.Join(t.TempDir(), "book.db")
	s, err := Open(path, stopAt(newest()-1))
	require.NoError(t, err)
	require.NoError(t, s.Close())
	taken := fmt.Sprintf("%s.before-v%d", path, newest())
	require.NoError(t, os.WriteFile(taken, []byte("mine"), 0o600))
	openAt(t, path)
	data, err := os.ReadFile(taken)
	require.NoError(t, err)
	assert.Equal(t, "mine", string(data))
	_, err = os.Stat(taken + "-2")
	assert.NoError(t, err)
}

func TestBookOfANewerProgramIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "book.db")
	s, err := Open(path)
	require.NoError(t, err)
	require.NoError(t, s.update(ctx, "pretend", func(t *tx) error { return t.exec(fmt.Sprintf(`PRAGMA user_version = %d`, newest()+1)) }))
	require.NoError(t, s.Close())
	for _, open := range []func() (*Store, error){func() (*Store, error) { return Open(path) }, func() (*Store, error) { return OpenReadOnly(path) }} {
		_, err := open()
		require.ErrorIs(t, err, ErrNewer)
		assert.Contains(t, Sentence(err), "Install the newer program")
	}
	entries, err := os.ReadDir(filepath.Dir(path))
	require.NoError(t, err)
	for _, e := range entries {
		assert.NotContains(t, e.Name(), "before", "nothing is copied or changed")
	}
}

func TestFailedMigrationChangesNothing(t *testing.T) {
	path := filepath.Join(t.TempDir(), "book.db")
	s, err := Open(path, stopAt(newest()-1))
	require.NoError(t, err)
	// In the way of the last migration: a table of a name that it takes.
	last := steps()[newest()-1]
	name := regexp.MustCompile(`CREATE (?:VIRTUAL )?TABLE (\w+)`).FindStringSubmatch(last.sql)
	require.NotNil(t, name, "%s makes no table: choose something else to be in its way", last.name)
	require.NoError(t, s.update(ctx, "get in the way", func(t *tx) error { return t.exec(`CREATE TABLE ` + name[1] + ` (words TEXT)`) }))
	require.NoError(t, s.Close())
	_, err = Open(path)
	var own *Error
	require.True(t, errors.As(err, &own), "%v", err)
	assert.Contains(t, own.Doing, last.name)
	s = openAt(t, path, stopAt(newest()-1))
	version, err := s.Version(ctx)
	require.NoError(t, err)
	assert.Equal(t, newest()-1, version)
}
