package main

import (
	"context"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/store"
)

// serveDemo runs the demo as the program does, gives its address to visit, and returns what it printed once it has ended.
func serveDemo(t *testing.T, visit func(address string), args ...string) string {
	t.Helper()
	ctx, stop := context.WithTimeout(context.Background(), time.Minute)
	defer stop()
	reader, writer := io.Pipe()
	ended := make(chan error, 1)
	go func() {
		ended <- runDemo(ctx, append([]string{"-addr", "127.0.0.1:0"}, args...), strings.NewReader(""), writer)
		_ = writer.Close() // a pipe never fails to close
	}()
	address := regexp.MustCompile(`http://\S+`)
	printed, visited := "", false
	buffer := make([]byte, 4096)
	for {
		n, err := reader.Read(buffer)
		printed += string(buffer[:n])
		if found := address.FindString(printed); found != "" && !visited {
			visited = true
			visit(found)
			stop()
		}
		if err != nil {
			break
		}
	}
	require.NoError(t, <-ended)
	require.True(t, visited, printed)
	return printed
}

func TestDemoIsServedAndThrownAway(t *testing.T) {
	temp := t.TempDir()
	t.Setenv("TMPDIR", temp)
	printed := serveDemo(t, func(address string) {
		left, err := os.ReadDir(temp)
		require.NoError(t, err)
		assert.Len(t, left, 1)
		answer, err := http.Get(address)
		require.NoError(t, err)
		defer answer.Body.Close()
		page, err := io.ReadAll(answer.Body)
		require.NoError(t, err)
		assert.Equal(t, http.StatusOK, answer.StatusCode)
		assert.Contains(t, string(page), "Strawberry Skirt", "the cup in mid-pour is on the first page")
	})
	assert.Equal(t, 2, strings.Count(printed, "\n"), "two lines: %s", printed)
	assert.Contains(t, printed, "invented")
	left, err := os.ReadDir(temp)
	require.NoError(t, err)
	assert.Empty(t, left)
}

func TestDemoIsKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "kept.db")
	serveDemo(t, func(string) {}, "-keep", path, "-seed", "5")
	book, err := store.OpenReadOnly(path)
	require.NoError(t, err)
	defer func() { assert.NoError(t, book.Close()) }()
	batches, err := book.Batches(context.Background(), store.BatchFilter{Limit: 100})
	require.NoError(t, err)
	assert.GreaterOrEqual(t, len(batches), 14)

	err = runDemo(context.Background(), []string{"-keep", path}, nil, io.Discard)
	var usage usageError
	require.ErrorAs(t, err, &usage, "a kept book is never filled twice")
	require.ErrorAs(t, runDemo(context.Background(), []string{"now"}, nil, io.Discard), &usage)
}
