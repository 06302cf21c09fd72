package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"pourbook/internal/store"
)

// openCable opens a pseudo-terminal and returns the scale's end of it and the path of the other.
func openCable(t *testing.T) (*os.File, string) {
	t.Helper()
	master, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	require.NoError(t, err)
	t.Cleanup(func() { master.Close() })
	raw, err := master.SyscallConn()
	require.NoError(t, err)
	number := 0
	require.NoError(t, raw.Control(func(fd uintptr) {
		require.NoError(t, unix.IoctlSetPointerInt(int(fd), unix.TIOCSPTLCK, 0))
		number, err = unix.IoctlGetInt(int(fd), unix.TIOCGPTN)
	}))
	require.NoError(t, err)
	return master, fmt.Sprintf("/dev/pts/%d", number)
}

// A shop without a scale gets one on the set-up page: it is tried, listened to, saved and read at once, and checked with
// a known weight; the next start reads it again.
func TestSetUpAScale(t *testing.T) {
	cable, port := openCable(t)
	weight := make(chan string, 1)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	go func() { // the scale: it sends whatever lies on it, twenty times a second
		line := "ST,GS,+00000.0  g"
		for ctx.Err() == nil {
			select {
			case line = <-weight:
			case <-time.After(50 * time.Millisecond):
			}
			if _, err := cable.WriteString(line + "\r\n"); err != nil && !errors.Is(err, unix.EAGAIN) {
				return
			}
		}
	}()

	path := filepath.Join(t.TempDir(), "book.db")
	book, err := store.Open(path)
	require.NoError(t, err)
	device, name, err := shopScale(t.Context(), book, "", 0, 1)
	require.NoError(t, err)
	assert.Equal(t, typedName, name)
	base, end := serveScales(t, book, serveOptions{Scale: device, Name: name, SetUp: &scales{}})
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	client := &http.Client{Jar: jar, Timeout: 30 * time.Second}
	get := func(path string) string {
		answer, err := client.Get(base + path)
		require.NoError(t, err)
		defer answer.Body.Close()
		text, err := io.ReadAll(answer.Body)
		require.NoError(t, err)
		return string(text)
	}
	post := func(path string, form url.Values) string {
		answer, err := client.PostForm(base+path, form)
		require.NoError(t, err)
		defer answer.Body.Close()
		text, err := io.ReadAll(answer.Body)
		require.NoError(t, err)
		return string(text)
	}

	text := get("/scale")
	assert.Contains(t, text, "ignition source")
	assert.Contains(t, text, "The fire authority decides")
	assert.Contains(t, text, "No scale is connected")
	form := url.Values{
		"kind": {"serial"}, "path": {port}, "baud": {"9600"}, "bits": {"8"}, "parity": {"none"}, "family": {"header"}, "division": {"0.1"}, "max": {"6000"},
		"sample": {"US,GS,+  123.4 g"},
	}
	with := func(field, value string) url.Values {
		f := url.Values{}
		for k, v := range form {
			f[k] = v
		}
		f.Set(field, value)
		return f
	}
	assert.Contains(t, post("/scale", with("do", "try")), "Understood: 123.4 g, moving.")
	assert.Contains(t, post("/scale", with("do", "listen")), "ST,GS,+00000.0  g")
	bad := post("/scale", with("baud", "5"))
	assert.Contains(t, bad, "cannot run at 5 baud")
	assert.Contains(t, bad, port, "what was typed is kept")
	assert.Contains(t, post("/scale", with("division", "")), "problem")
	assert.Contains(t, post("/scale", with("do", "save")), "Saved.")
	require.Eventually(t, func() bool { return strings.Contains(get("/scale/now"), "0.0 g, at rest") }, 10*time.Second, 50*time.Millisecond, get("/scale/now"))

	// The daily check.
	assert.Contains(t, get("/scale"), "never checked")
	post("/scale/check", url.Values{"do": {"empty"}})
	weight <- "ST,GS,+00200.1  g"
	require.Eventually(t, func() bool { return strings.Contains(get("/scale/now"), "200.1 g, at rest") }, 10*time.Second, 50*time.Millisecond)
	logged := post("/scale/check", url.Values{"do": {"loaded"}, "known": {"200"}})
	assert.Contains(t, logged, "Logged.")
	assert.Contains(t, logged, "+0.1")
	assert.NotContains(t, logged, "not checked")
	assert.Contains(t, post("/scale/check", url.Values{"do": {"loaded"}, "known": {"200"}}), "read the empty pan first")
	end()

	book, err = store.Open(path)
	require.NoError(t, err)
	device, name, err = shopScale(t.Context(), book, "", 0, 1)
	require.NoError(t, err)
	base, end = serveScales(t, book, serveOptions{Scale: device, Name: name, SetUp: &scales{}})
	defer end()
	require.Eventually(t, func() bool { return strings.Contains(get("/scale/now"), "200.1 g, at rest") }, 10*time.Second, 50*time.Millisecond)
}

// serveScales serves a book until end is called, which closes it.
func serveScales(t *testing.T, book *store.Store, o serveOptions) (base string, end func()) {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	out, in := io.Pipe()
	o.Addr, o.Log = "127.0.0.1:0", slog.New(slog.DiscardHandler)
	ended := make(chan error, 1)
	go func() { ended <- serveBook(ctx, book, o, in) }()
	line := make([]byte, 200)
	n, err := out.Read(line)
	require.NoError(t, err)
	go func() { _, _ = io.Copy(io.Discard, out) }()
	said := string(line[:n])
	at := strings.Index(said, "http://")
	require.GreaterOrEqual(t, at, 0, said)
	return strings.TrimSpace(said[at:]), func() {
		stop()
		require.NoError(t, <-ended)
		require.NoError(t, book.Close())
	}
}
