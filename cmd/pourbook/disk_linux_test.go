package main

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/backup"
	"pourbook/internal/store"
)

// get returns a page of the program.
func (t *client) get(path string) (status int, text string) {
	t.tb.Helper()
	res, err := t.http.Get(t.base + path)
	require.NoError(t.tb, err)
	defer res.Body.Close()
	data, err := io.ReadAll(res.Body)
	require.NoError(t.tb, err)
	return res.StatusCode, string(data)
}

// smallDisk mounts a file system of so many kilobytes in memory.
func smallDisk(t *testing.T, kilobytes int) string {
	t.Helper()
	folder := t.TempDir()
	err := syscall.Mount("tmpfs", folder, "tmpfs", 0, fmt.Sprintf("size=%dk", kilobytes))
	if errors.Is(err, syscall.EPERM) || errors.Is(err, syscall.EACCES) {
		t.Skip("needs the right to mount a small disk")
	}
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, syscall.Unmount(folder, 0)) })
	return folder
}

// fillDisk writes until not one page more fits, and returns the file to delete again.
func fillDisk(t *testing.T, folder string) string {
	t.Helper()
	path := filepath.Join(folder, "holiday.mov")
	f, err := os.Create(path)
	require.NoError(t, err)
	page := make([]byte, 4096)
	for err == nil {
		_, err = f.Write(page)
	}
	require.ErrorIs(t, err, syscall.ENOSPC)
	require.NoError(t, f.Close())
	return path
}

// TestFailingDisk runs the real program on disks that fail.
func TestFailingDisk(t *testing.T) {
	program := buildProgram(t)
	t.Run("full", func(t *testing.T) { testFullDisk(t, program) })
	t.Run("full, then killed", func(t *testing.T) { testFullDiskThenKilled(t, program) })
	t.Run("a file that is read only", func(t *testing.T) { testReadOnlyFile(t, program) })
}

// testFullDisk fills the disk under the real server while a tablet pours. What was answered is there, the pages can
// still be read, the tap that failed is answered with a sentence, and sent again once there is room it is booked once.
func testFullDisk(t *testing.T, program string) {
	folder := smallDisk(t, 4096)
	made, formulaID := eightBook(t)
	book := filepath.Join(folder, "book.db")
	data, err := os.ReadFile(made)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(book, data, 0o600))
	server := startServe(t, program, book)
	p := &pourer{client: newClient(t, server.url), formula: formulaID}
	require.Equal(t, http.StatusSeeOther, p.client.must("/who", url.Values{"name": {"Ann"}}).Status)
	for range 30 {
		require.NoError(t, p.post())
	}

	for round := range 2 {
		film := fillDisk(t, folder)
		var refused refusedError
		for err = nil; err == nil; { // until what the log had in hand is used up
			err = p.post()
			require.Less(t, len(p.done), 20_000, "the disk never filled: the test shows nothing")
		}
		require.ErrorAs(t, err, &refused, "round %d", round)
		assert.Equal(t, http.StatusServiceUnavailable, refused.answer.Status, "%+v", refused.answer)
		assert.Contains(t, refused.answer.Problem, "disk is full")
		assert.NotEmpty(t, refused.answer.Next)
		p.waiting = &refused.sent

		status, text := p.client.get("/batch/" + p.batch)
		assert.Equal(t, http.StatusOK, status, "reads go on")
		assert.Contains(t, text, "Eight of a kind")
		for _, path := range []string{"/", "/book", "/records", "/shop"} {
			status, _ := p.client.get(path)
			assert.Equal(t, http.StatusOK, status, path)
		}
		res, err := p.client.http.PostForm(server.url+"/mix/"+strconv.FormatInt(formulaID, 10), mixForm(fmt.Sprint("on a full disk ", round), true))
		require.NoError(t, err)
		page, err := io.ReadAll(res.Body)
		require.NoError(t, err)
		require.NoError(t, res.Body.Close())
		assert.Equal(t, http.StatusServiceUnavailable, res.StatusCode)
		assert.Contains(t, string(page), "disk is full", "a page for a person, too")
		t.Logf("the disk was full after %d answers", len(p.done))

		said, err := exec.Command(program, "backup", "-book", book, folder).CombinedOutput()
		require.Error(t, err, "%s", said)
		assert.Contains(t, string(said), "is full")
		entries, err := filepath.Glob(filepath.Join(folder, "*.part-*"))
		require.NoError(t, err)
		assert.Empty(t, entries, "half a backup does not stay on a full disk")

		require.NoError(t, os.Remove(film))
		for range 40 {
			require.NoError(t, p.post(), "round %d", round)
		}
		compare(t, book, []*pourer{p}, true)
	}
	server.kill()
	compare(t, book, []*pourer{p}, true)
	report, err := backup.Check(t.Context(), book)
	require.NoError(t, err)
	assert.Empty(t, report.Found)
}

// The disk is full, and then the power goes.
func testFullDiskThenKilled(t *testing.T, program string) {
	folder := smallDisk(t, 2048)
	made, formulaID := eightBook(t)
	book := filepath.Join(folder, "book.db")
	data, err := os.ReadFile(made)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(book, data, 0o600))
	server := startServe(t, program, book)
	p := &pourer{client: newClient(t, server.url), formula: formulaID}
	for range 10 {
		require.NoError(t, p.post())
	}
	film := fillDisk(t, folder)
	var refused refusedError
	for err = nil; err == nil; {
		err = p.post()
		require.Less(t, len(p.done), 20_000)
	}
	require.ErrorAs(t, err, &refused)
	p.waiting = &refused.sent
	server.kill()

	server = startServe(t, program, book) // still without room
	p.client.moveTo(server.url)
	status, _ := p.client.get("/batch/" + p.batch)
	assert.Equal(t, http.StatusOK, status, "reads go on")
	require.NoError(t, os.Remove(film))
	for range 20 {
		require.NoError(t, p.post())
	}
	compare(t, book, []*pourer{p}, true)
}

// asNobody runs a command without the rights of root, for whom no file is read only.
func asNobody(t *testing.T, cmd *exec.Cmd) *exec.Cmd {
	t.Helper()
	if os.Getuid() == 0 {
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	}
	return cmd
}

// open lets everybody into the folders of a test.
func open(t *testing.T, path string) {
	t.Helper()
	for _, p := range []string{path, filepath.Dir(path), filepath.Dir(filepath.Dir(path))} {
		require.NoError(t, os.Chmod(p, 0o777))
	}
}

// A book whose file may be read and not written: its pages are shown, a tap is answered with a sentence, nothing is kept.
func testReadOnlyFile(t *testing.T, program string) {
	open(t, program)
	book, formulaID := eightBook(t)
	s, err := store.Open(book)
	require.NoError(t, err)
	server := startServing(t, s, nil)
	c := newClient(t, server.url)
	batch := c.mix(formulaID, true)
	server.stop()
	require.NoError(t, s.Close())
	open(t, book)
	require.NoError(t, os.Chmod(book, 0o444))
	require.NoError(t, os.Remove(book+".lock"))
	before, err := os.ReadFile(book)
	require.NoError(t, err)

	args := serveTyped(program, book)
	p := startProcess(t, asNobody(t, exec.Command(args[0], args[1:]...)))
	c.moveTo(p.url)
	for _, path := range []string{"/", "/book", "/records", "/shop", "/batch/" + batch} {
		status, text := c.get(path)
		assert.Equal(t, http.StatusOK, status, "%s: %s", path, text)
	}
	said := c.must(fmt.Sprintf("/mix/%d", formulaID), mixForm("another", true))
	assert.Equal(t, http.StatusServiceUnavailable, said.Status)
	assert.Contains(t, said.Problem, "cannot be written")
	said = c.must("/batch/"+batch+"/tap", url.Values{"id": {"tap"}, "seen": {"1"}, "epoch": {"1"}, "action": {"cup"}, "cup": {"1400 ml cup"}, "typed": {"40"}})
	assert.Equal(t, http.StatusServiceUnavailable, said.Status)
	assert.Contains(t, said.Problem, "cannot be written")
	p.kill()
	after, err := os.ReadFile(book)
	require.NoError(t, err)
	assert.Equal(t, before, after)
	for _, command := range [][]string{{"check", "-book", book}, {"export", "-book", book, "formulas"}} {
		out, err := asNobody(t, exec.Command(program, command...)).CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
}

// pagesOf returns the size of a page and how many a book has (https://www.sqlite.org/fileformat2.html 1.3).
func pagesOf(book []byte) (size, pages int) {
	return int(binary.BigEndian.Uint16(book[16:])), int(binary.BigEndian.Uint32(book[28:]))
}

// TestCorruptPage damages the pages of a book one after the other. The server either says in a sentence why it does not
// start, or shows what can be read and answers the rest with a sentence; check finds each of them.
func TestCorruptPage(t *testing.T) {
	made, formulaID := eightBook(t)
	s, err := store.Open(made)
	require.NoError(t, err)
	server := startServing(t, s, nil)
	c := newClient(t, server.url)
	batch := c.mix(formulaID, true)
	other := c.mix(formulaID, true)
	server.stop()
	require.NoError(t, s.Close())
	whole, err := os.ReadFile(made)
	require.NoError(t, err)
	size, pages := pagesOf(whole)

	paths := []string{"/", "/book", fmt.Sprintf("/formula/%d", formulaID), fmt.Sprintf("/mix/%d", formulaID), "/batch/" + batch, "/batch/" + other, "/records", "/shop", "/cards"}
	shown, sentences, refused := 0, 0, 0
	for page := 1; page <= pages; page++ {
		book := filepath.Join(t.TempDir(), "book.db")
		damaged := append([]byte(nil), whole...)
		for i := range 64 {
			damaged[(page-1)*size+i] = 0xd5
		}
		require.NoError(t, os.WriteFile(book, damaged, 0o600))
		report, err := backup.Check(t.Context(), book)
		assert.True(t, err != nil && store.Sentence(err) != "" || err == nil && !report.Well(), "check does not find page %d", page)

		s, err := store.Open(book)
		if err != nil {
			refused++
			assert.Regexp(t, `^[^:]*\.$`, store.Sentence(err), "page %d", page)
			continue
		}
		server := startServingDamaged(t, s)
		if server.url == "" { // it said why
			refused++
			require.NoError(t, s.Close())
			continue
		}
		c.moveTo(server.url)
		for _, path := range paths {
			status, text := c.get(path)
			switch status {
			case http.StatusOK:
				shown++
			case http.StatusServiceUnavailable:
				sentences++
				assert.Contains(t, text, "The file of the book is damaged", "page %d: %s", page, path)
			default:
				assert.Fail(t, "a damaged page must not do this", "page %d: %s: %d", page, path, status)
			}
		}
		server.stop()
		_ = s.Close() // the damage may stand in its way
	}
	t.Logf("%d pages damaged: %d views shown, %d answered with a sentence, %d books refused", pages, shown, sentences, refused)
	assert.Greater(t, shown, sentences, "reads go on")
	assert.Positive(t, sentences)
	assert.Less(t, refused, pages/2)
}

// startServingDamaged is startServing for a book that may be too damaged to be served.
func startServingDamaged(t *testing.T, s *store.Store) running {
	t.Helper()
	if _, err := s.Settings(t.Context()); err != nil {
		assert.Contains(t, store.Sentence(err), "damaged")
		return running{}
	}
	return startServing(t, s, nil)
}
