package main

import (
	"database/sql"
	"encoding/binary"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"

	"pourbook/internal/store"
)

// TestScripts runs the program as a person at a command line does: testdata/script holds what was typed and what came.
//
// Their own commands: book FILE BATCHES makes a book of eightToners with batches that were poured to the end;
// newer FILE marks a book as one of a later program; spoil FILE TABLE damages the first page of
// a table; hold FILE keeps it open.
func TestScripts(t *testing.T) {
	program := buildProgram(t)
	testscript.Run(t, testscript.Params{
		Dir: filepath.Join("testdata", "script"),
		Setup: func(env *testscript.Env) error {
			env.Setenv("PATH", filepath.Dir(program)+string(os.PathListSeparator)+env.Getenv("PATH"))
			env.Setenv("XDG_CONFIG_HOME", filepath.Join(env.WorkDir, "config"))
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"book":  scriptBook(t),
			"newer": scriptNewer,
			"spoil": scriptSpoil,
			"hold":  scriptHold,
		},
		RequireExplicitExec: true,
	})
}

// scriptBook makes a book whose batches were poured through the screens, as the other tests of this package do.
func scriptBook(t *testing.T) func(*testscript.TestScript, bool, []string) {
	return func(ts *testscript.TestScript, _ bool, args []string) {
		var batches int
		if len(args) == 2 {
			_, _ = fmt.Sscan(args[1], &batches) // 0 is a number of batches, too
		}
		path := ts.MkAbs(args[0])
		ts.Check(os.MkdirAll(filepath.Dir(path), 0o755))
		s, err := store.Open(path)
		ts.Check(err)
		formulaID := eightToners(t, s)
		server := startServing(t, s, nil)
		p := &pourer{client: newClient(t, server.url), formula: formulaID}
		require.Equal(t, http.StatusSeeOther, p.client.must("/who", map[string][]string{"name": {"Ann"}}).Status)
		for range batches * (1 + len(typedTaps())) {
			ts.Check(p.post())
		}
		server.stop()
		ts.Check(s.Close())
	}
}

// scriptNewer writes a later version into the header (user_version, https://www.sqlite.org/fileformat2.html 1.3).
func scriptNewer(ts *testscript.TestScript, _ bool, args []string) {
	data, err := os.ReadFile(ts.MkAbs(args[0]))
	ts.Check(err)
	binary.BigEndian.PutUint32(data[60:], 99)
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), data, 0o600))
}

// scriptSpoil overwrites the beginning of the first page of a table or an index.
func scriptSpoil(ts *testscript.TestScript, _ bool, args []string) {
	path := ts.MkAbs(args[0])
	db, err := sql.Open("sqlite3", path)
	ts.Check(err)
	var page, size int
	ts.Check(db.QueryRow(`SELECT rootpage, page_size FROM sqlite_schema, pragma_page_size WHERE name = ?`, args[1]).Scan(&page, &size))
	ts.Check(db.Close())
	data, err := os.ReadFile(path)
	ts.Check(err)
	for i := range 64 {
		data[(page-1)*size+i] = 0xd5
	}
	ts.Check(os.WriteFile(path, data, 0o600))
}

// scriptHold keeps a book open until the script ends, as a server does.
func scriptHold(ts *testscript.TestScript, _ bool, args []string) {
	s, err := store.Open(ts.MkAbs(args[0]))
	ts.Check(err)
	ts.Defer(func() { _ = s.Close() }) // nothing was written
}
