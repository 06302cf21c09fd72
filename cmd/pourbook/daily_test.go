package main

import (
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/backup"
)

// The shop opens with a backup of the book as it was found, and without one where the disk for it is missing.
func TestServeKeepsADailyBackup(t *testing.T) {
	program := buildProgram(t)
	path, formulaID := eightBook(t)
	folder := t.TempDir()
	serve := func(to string) *process {
		args := append(serveTyped(program, path), "-backup-to", to)
		return startProcess(t, exec.Command(args[0], args[1:]...))
	}
	server := serve(filepath.Join(folder, "not connected"))
	newClient(t, server.url).mix(formulaID, true)
	server.kill()
	assert.Empty(t, made(t, folder))

	server = serve(folder)
	waitUntil(t, "a backup is made", func() bool { return len(made(t, folder)) == 1 })
	report, err := backup.Check(t.Context(), made(t, folder)[0])
	require.NoError(t, err)
	assert.Empty(t, report.Found)
	assert.Equal(t, 1, report.Batches)
	server.kill()
	server = serve(folder)
	newClient(t, server.url).mix(formulaID, true)
	server.kill()
	assert.Len(t, made(t, folder), 1, "one a day")
}

func made(t *testing.T, folder string) []string {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join(folder, "book-*Z.db"))
	require.NoError(t, err)
	return paths
}
