package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/store"
)

// names and addresses of a shop's machine, for the certificate.
var (
	shopNames = []string{"localhost", "bench", "bench.local"}
	shopIPs   = []net.IP{net.IPv4(127, 0, 0, 1), net.IPv4(192, 168, 7, 2)}
)

func TestShopCertificateIsKnownByItsAuthority(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "book.db.tls")
	now := time.Now()
	clock := func() time.Time { return now }
	c, err := openShopCertificate(folder, shopNames, shopIPs, clock)
	require.NoError(t, err)
	roots := x509.NewCertPool()
	require.True(t, roots.AppendCertsFromPEM(c.authorityPEM()))
	verify := func(pair *tls.Certificate, name string) error { // by the standard library, as a browser would
		_, err := pair.Leaf.Verify(x509.VerifyOptions{Roots: roots, DNSName: name, CurrentTime: now})
		return err
	}
	for _, name := range []string{"localhost", "bench", "bench.local", "127.0.0.1", "192.168.7.2"} {
		assert.NoError(t, verify(c.pair, name), name)
	}
	assert.Error(t, verify(c.pair, "192.168.7.3"))
	for _, key := range []string{authorityKeyFile, serverKeyFile} {
		info, err := os.Stat(filepath.Join(folder, key))
		require.NoError(t, err)
		assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	}

	again, err := openShopCertificate(folder, shopNames, shopIPs, clock)
	require.NoError(t, err)
	assert.Equal(t, c.pair.Certificate, again.pair.Certificate, "kept: a browser that was told to trust it goes on")

	moved, err := openShopCertificate(folder, shopNames, append(shopIPs, net.IPv4(192, 168, 7, 9)), clock)
	require.NoError(t, err)
	assert.NoError(t, verify(moved.pair, "192.168.7.9"), "another address: a new certificate of the same authority")

	now = now.AddDate(0, 0, serverDays-20)
	pair, err := moved.get(nil)
	require.NoError(t, err)
	assert.NoError(t, verify(pair, "bench"), "renewed while it serves")
	assert.True(t, pair.Leaf.NotAfter.After(now.AddDate(1, 0, 0)))

	// Whoever steals the authority cannot pass as another site.
	moved.names, moved.ips = []string{"bank.example"}, []net.IP{net.IPv4(203, 0, 113, 7)}
	require.NoError(t, moved.renew())
	assert.Error(t, verify(moved.pair, "bank.example"))
	assert.Error(t, verify(moved.pair, "203.0.113.7"))

	require.NoError(t, os.WriteFile(filepath.Join(folder, authorityFile), []byte("rubbish"), 0o600))
	_, err = openShopCertificate(folder, shopNames, shopIPs, clock)
	assert.ErrorContains(t, err, "Move that folder away and start again")
}

func TestCertificateThatDoesNotFitItsKey(t *testing.T) {
	folder := t.TempDir()
	var files []string
	for _, sub := range []string{"a", "b"} {
		_, err := openShopCertificate(filepath.Join(folder, sub), shopNames, shopIPs, time.Now)
		require.NoError(t, err)
		files = append(files, filepath.Join(folder, sub, serverFile), filepath.Join(folder, sub, serverKeyFile))
	}
	rubbish := filepath.Join(folder, "rubbish")
	require.NoError(t, os.WriteFile(rubbish, []byte("not PEM"), 0o600))
	_, err := ownCertificate(files[0], files[1])
	assert.NoError(t, err)
	for says, pair := range map[string][2]string{
		"does not fit the key":       {files[0], files[3]},
		"no certificate and key":     {rubbish, files[1]},
		"certificate cannot be read": {filepath.Join(folder, "nowhere"), files[1]},
		"key of the certificate":     {files[0], filepath.Join(folder, "nowhere")},
		"go together":                {files[0], ""},
	} {
		_, err := ownCertificate(pair[0], pair[1])
		assert.ErrorContains(t, err, says)
		book := filepath.Join(folder, "book.db")
		err = run(t.Context(), []string{"serve", "-book", book, "-addr", "127.0.0.1:0", "-cert", pair[0], "-key", pair[1]}, strings.NewReader(""), io.Discard)
		assert.ErrorContains(t, err, says, "serve says so and ends")
	}
}

// Whatever opens the shop to others, it takes an owner's PIN first.
func TestNetworkTakesAnOwnersPIN(t *testing.T) {
	book := filepath.Join(t.TempDir(), "book.db")
	say := func(in string, args ...string) (string, error) {
		var out bytes.Buffer
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		err := run(ctx, args, strings.NewReader(in), &out)
		return out.String(), err
	}
	_, err := say("471109\n", "pin", "-book", book, "-name", "Ann")
	assert.ErrorContains(t, err, "there is no book to lock")
	s, err := store.Open(book)
	require.NoError(t, err)
	require.NoError(t, s.Close())
	for _, args := range [][]string{{"-open", "-addr", "127.0.0.1:0"}, {"-addr", "0.0.0.0:0"}, {"-addr", ":0"}} {
		_, err := say("", append([]string{"serve", "-book", book}, args...)...)
		assert.ErrorContains(t, err, "only once an owner has a PIN", args)
	}
	for in, says := range map[string]string{"": "6 to 12 digits", "1234\n": "at least 6", "123456\n": "do not run in a row"} {
		_, err := say(in, "pin", "-book", book, "-name", "Ann")
		assert.ErrorContains(t, err, says)
	}
	var usage usageError
	_, err = say("471109\n", "pin", "-book", book)
	assert.ErrorAs(t, err, &usage)
	out, err := say("471109\n", "pin", "-book", book, "-name", "Ann")
	require.NoError(t, err)
	assert.Equal(t, "Ann is an owner and has a new PIN. The shop is locked.\n", out)
	_, err = say("284637\n", "pin", "-book", book, "-name", "ANN")
	require.NoError(t, err, "a forgotten PIN is set anew")
	s, err = store.Open(book)
	require.NoError(t, err)
	defer s.Close()
	a, err := s.Access(t.Context())
	require.NoError(t, err)
	require.Len(t, a.People, 1)
	assert.True(t, a.People[0].Opens())
	_, err = say("471109\n", "pin", "-book", book, "-name", "Ann")
	assert.Error(t, err, "not while the book is in use")
}

// The whole way over the network: the first code from the command line, the tablet joins over an encrypted connection
// that it trusts by the shop's authority, and gives a PIN.
func TestTabletJoinsOverTheNetwork(t *testing.T) {
	book := filepath.Join(t.TempDir(), "book.db")
	s, err := store.Open(book)
	require.NoError(t, err)
	require.NoError(t, s.Close())
	require.NoError(t, runPIN(t.Context(), []string{"-book", book, "-name", "Ann"}, strings.NewReader("471109\n"), io.Discard))
	ctx, cancel := context.WithCancel(t.Context())
	reader, writer := io.Pipe()
	ended := make(chan error, 1)
	go func() {
		err := run(ctx, []string{"serve", "-book", book, "-open", "-addr", "127.0.0.1:0", "-host", "pourbook.example"}, strings.NewReader(""), writer)
		_ = writer.Close() // a pipe never fails to close
		ended <- err
	}()
	t.Cleanup(func() { cancel(); require.NoError(t, <-ended) })
	lines := bufio.NewScanner(reader)
	require.True(t, lines.Scan(), "it did not start")
	at, err := url.Parse(strings.TrimPrefix(lines.Text(), "Pourbook is at "))
	require.NoError(t, err)
	assert.Equal(t, "https", at.Scheme)
	var code string
	for code == "" && lines.Scan() {
		if _, rest, ok := strings.Cut(lines.Text(), "/join/"); ok {
			code, _, _ = strings.Cut(rest, " ")
		}
	}
	require.Len(t, code, 10)
	go io.Copy(io.Discard, reader)

	authority, err := os.ReadFile(filepath.Join(book+".tls", authorityFile))
	require.NoError(t, err)
	roots := x509.NewCertPool()
	require.True(t, roots.AppendCertsFromPEM(authority))
	tablet := newClient(t, "https://127.0.0.1:"+at.Port())
	tablet.http.Transport = &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots}, ForceAttemptHTTP2: true}
	res, err := tablet.http.Get(tablet.base + "/authority.crt")
	require.NoError(t, err)
	given, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	assert.Equal(t, 2, res.ProtoMajor)
	block, _ := pem.Decode(given)
	require.NotNil(t, block)
	assert.Equal(t, authority, given)

	post := func(path string, form url.Values) *http.Response {
		res, err := tablet.http.PostForm(tablet.base+path, form)
		require.NoError(t, err)
		require.NoError(t, res.Body.Close())
		return res
	}
	require.Equal(t, "/who", post("/join", url.Values{"code": {code}, "name": {"Bench"}}).Header.Get("Location"))
	require.Equal(t, "/", post("/who/1", url.Values{"pin": {"471109"}}).Header.Get("Location"))
	res, err = tablet.http.Get(tablet.base + "/people")
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	assert.Equal(t, http.StatusOK, res.StatusCode)

	stranger := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots, MaxVersion: tls.VersionTLS11}}}
	_, err = stranger.Get(tablet.base + "/")
	assert.Error(t, err, "nothing older than TLS 1.2")
}

// Slow clients: each says a little and then nothing. They take up a bounded number of places, are let go by the clock,
// and whoever comes with a whole request meanwhile is served.
func TestSlowClientsHoldNobodyUp(t *testing.T) {
	var log safeBuffer
	plain, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	door := newCrowd(plain, slog.New(slog.NewTextHandler(&log, nil)))
	server := &http.Server{
		Handler:           http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, "served") }),
		ReadHeaderTimeout: 500 * time.Millisecond,
	}
	go server.Serve(door)
	t.Cleanup(func() { server.Close() })
	slow := func() net.Conn {
		conn, err := net.Dial("tcp", plain.Addr().String())
		require.NoError(t, err)
		t.Cleanup(func() { conn.Close() })
		_, _ = io.WriteString(conn, "GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: ") // may be closed already, which is the point
		return conn
	}
	var conns []net.Conn
	for range mostConnections + 40 {
		conns = append(conns, slow())
	}
	door.mu.Lock()
	assert.LessOrEqual(t, door.all, mostConnections)
	door.mu.Unlock()
	for _, conn := range conns { // every one is let go
		require.NoError(t, conn.SetReadDeadline(time.Now().Add(time.Minute)))
		_, err := io.Copy(io.Discard, conn)
		var slowToClose net.Error
		assert.False(t, errors.As(err, &slowToClose) && slowToClose.Timeout(), "still open after a minute")
	}
	res, err := http.Get("http://" + plain.Addr().String())
	require.NoError(t, err)
	said, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	assert.Equal(t, "served", string(said))
	assert.Equal(t, 1, strings.Count(log.String(), "too many connections"), "logged once")
	http.DefaultClient.CloseIdleConnections()
	waitUntil(t, "no place is kept for who has left", func() bool {
		door.mu.Lock()
		defer door.mu.Unlock()
		return door.all == 0 && len(door.from) == 0
	})
}

// One address has its share of the places, so that it cannot take them all.
func TestOneAddressHasItsShare(t *testing.T) {
	c := newCrowd(nil, slog.New(slog.DiscardHandler))
	let := 0
	for range mostConnections {
		if c.enter("192.168.7.9", false) {
			let++
		}
	}
	assert.Equal(t, mostConnectionsAddress, let)
	assert.True(t, c.enter("192.168.7.10", false))
	assert.True(t, c.enter("127.0.0.1", true))
	c.leave("192.168.7.9")
	assert.True(t, c.enter("192.168.7.9", false))
}

// safeBuffer is a log that several goroutines write.
type safeBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *safeBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *safeBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}
