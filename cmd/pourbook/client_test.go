package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/scale"
	"pourbook/internal/store"
)

// The tests of this file's neighbours drive the program over HTTP as a tablet does, without a browser: forms with the
// fields that the pour screen has, a device cookie of its own, and the stream of the cup.

// eightGrams are the lines of the invented formula that is poured again and again, in grams.
var eightGrams = []int64{120, 90, 80, 70, 60, 40, 25, 15}

const (
	eightTotal = 500
	eightCup   = 40 // what the empty 1400 ml cup weighs
)

// eightToners puts eight invented toners and a formula of them into a book and returns the formula's number.
func eightToners(tb testing.TB, book *store.Store) int64 {
	tb.Helper()
	var lines []formula.Line
	for i, grams := range eightGrams {
		toner, err := book.SaveToner(tb.Context(), formula.Toner{
			Name: fmt.Sprintf("Toner %c", 'A'+i), System: "Solvent base", Kind: formula.Solid, Strength: formula.Medium, Density: 1.1, Stocked: true,
		})
		require.NoError(tb, err)
		lines = append(lines, formula.Line{Toner: toner, Mass: gram.Mass(grams) * gram.Gram})
	}
	f, _, err := book.CreateFormula(tb.Context(),
		formula.Formula{Name: "Eight of a kind", System: "Solvent base", Coat: formula.Base, Finish: formula.FinishSolid, Swatch: "#667788"},
		formula.Revision{Lines: lines, FixedOrder: true, By: "Ann"})
	require.NoError(tb, err)
	return f.ID
}

// eightBook makes a book file with eightToners in it.
func eightBook(tb testing.TB) (path string, formulaID int64) {
	tb.Helper()
	path = filepath.Join(tb.TempDir(), "book.db")
	book, err := store.Open(path)
	require.NoError(tb, err)
	formulaID = eightToners(tb, book)
	require.NoError(tb, book.Close())
	return path, formulaID
}

// mixForm is the filled form of the page that starts a batch; id is the form's own name, so that sent twice it is one batch.
func mixForm(id string, typed bool) url.Values {
	form := url.Values{"id": {id}, "amount": {strconv.Itoa(eightTotal)}, "unit": {"g"}, "of": {"colour"}, "cup": {"1400 ml cup"}}
	if typed {
		form.Set("typed_readings", "1")
	}
	return form
}

// typedTaps are the taps of one cup from the empty cup to the end, where every reading is typed. What they have seen
// is left out.
func typedTaps() []url.Values {
	reading := int64(eightCup)
	taps := []url.Values{{"action": {"cup"}, "cup": {"1400 ml cup"}, "typed": {strconv.FormatInt(reading, 10)}}}
	for i, grams := range eightGrams {
		reading += grams
		taps = append(taps, url.Values{
			"action": {"pour"}, "step": {strconv.Itoa(i + 1)}, "attempt": {"1"}, "typed": {strconv.FormatInt(reading, 10)}, "lot": {""},
		})
	}
	return append(taps, url.Values{"action": {"stirred"}}, url.Values{"action": {"finish"}, "kept": {"20"}})
}

// running is the program serving a book within this process.
type running struct {
	url  string
	stop func() // lets go of everything and waits; again does nothing
}

// startServing serves a book on a free port until stop or the end of the test. A nil device means typed readings.
func startServing(tb testing.TB, book *store.Store, device scale.Scale) running {
	tb.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	reader, writer := io.Pipe()
	go func() {
		err := serveBook(ctx, book, serveOptions{Addr: "127.0.0.1:0", Scale: device, Name: "pretend scale", Log: slog.New(slog.DiscardHandler)}, writer)
		_ = writer.CloseWithError(io.EOF) // a pipe never fails to close
		ended <- err
	}()
	line, err := bufio.NewReader(reader).ReadString('\n')
	if err != nil {
		cancel()
		require.NoError(tb, err, "the server did not start: %v", <-ended)
	}
	go io.Copy(io.Discard, reader)
	stop := sync.OnceFunc(func() {
		cancel()
		<-ended
	})
	tb.Cleanup(stop)
	return running{url: line[strings.Index(line, "http://") : len(line)-1], stop: stop}
}

// client is one tablet with cookies of its own.
type client struct {
	tb   testing.TB
	base string
	http *http.Client
}

func newClient(tb testing.TB, base string) *client {
	tb.Helper()
	jar, err := cookiejar.New(nil)
	require.NoError(tb, err)
	transport := &http.Transport{MaxIdleConnsPerHost: 4}
	tb.Cleanup(transport.CloseIdleConnections)
	return &client{tb: tb, base: base, http: &http.Client{
		Jar: jar, Transport: transport,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
}

// moveTo makes the tablet find the program at another address. It keeps its cookies: those are of the host, not of a port.
func (t *client) moveTo(base string) {
	t.http.CloseIdleConnections()
	t.base = base
}

// answer is what the program said to a post.
type answer struct {
	Status  int
	Place   string // of a redirect
	Seq     int    `json:"seq"`
	Go      string `json:"go"`
	Problem string `json:"problem"`
	Next    string `json:"next"`
}

// post sends a form as the pour screen's script does. The error is of the network only.
func (t *client) post(path string, form url.Values) (answer, error) {
	req, err := http.NewRequest(http.MethodPost, t.base+path, strings.NewReader(form.Encode()))
	if err != nil {
		return answer{}, err
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Accept", "application/json")
	res, err := t.http.Do(req)
	if err != nil {
		return answer{}, err
	}
	defer res.Body.Close()
	data, err := io.ReadAll(res.Body)
	if err != nil {
		return answer{}, err
	}
	said := answer{Status: res.StatusCode, Place: res.Header.Get("Location")}
	if strings.HasPrefix(res.Header.Get("Content-Type"), "application/json") {
		err = json.Unmarshal(data, &said)
	}
	return said, err
}

// must is post where the network is known to be well.
func (t *client) must(path string, form url.Values) answer {
	t.tb.Helper()
	said, err := t.post(path, form)
	require.NoError(t.tb, err)
	return said
}

// mix starts a batch and returns its id.
func (t *client) mix(formulaID int64, typed bool) string {
	t.tb.Helper()
	said := t.must(fmt.Sprintf("/mix/%d", formulaID), mixForm(uuid.NewString(), typed))
	require.Equal(t.tb, http.StatusSeeOther, said.Status, "%+v", said)
	return strings.TrimPrefix(said.Place, "/batch/")
}

// tap posts a tap that has seen a state.
func (t *client) tap(state pour.State, form url.Values) answer {
	t.tb.Helper()
	return t.must("/batch/"+state.Batch+"/tap", seen(state, form))
}

// seen completes a tap with a name of its own and what its screen shows.
func seen(state pour.State, form url.Values) url.Values {
	full := url.Values{"id": {uuid.NewString()}, "seen": {strconv.Itoa(state.Decided)}, "epoch": {strconv.Itoa(state.Epoch)}}
	for k, v := range form {
		full[k] = v
	}
	return full
}

// screen is a tablet that follows the stream of one cup.
type screen struct {
	mu      sync.Mutex
	states  []shown
	reading liveReading
	ended   bool
	close   func()
}

// shown is one snapshot as it came.
type shown struct {
	Seq    int
	Markup string
}

// liveReading is what the pour screen's script reads of a "reading" message.
type liveReading struct {
	Serial uint64  `json:"serial"`
	Moving bool    `json:"moving"`
	Reads  string  `json:"reads"`
	Enough bool    `json:"enough"`
	Grace  float64 `json:"grace"`
	Lost   bool    `json:"lost"`
	Word   string  `json:"word"`
	Zone   string  `json:"zone"`
}

// follow opens the stream of a cup.
func (t *client) follow(batch string) *screen {
	t.tb.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, t.base+"/batch/"+batch+"/stream", nil)
	require.NoError(t.tb, err)
	req.Header.Set("Accept", "text/event-stream")
	res, err := t.http.Do(req)
	require.NoError(t.tb, err)
	require.Equal(t.tb, http.StatusOK, res.StatusCode)
	s := &screen{}
	done := make(chan struct{})
	s.close = sync.OnceFunc(func() { cancel(); <-done })
	t.tb.Cleanup(s.close)
	go func() {
		defer close(done)
		defer res.Body.Close()
		s.read(res.Body)
	}()
	return s
}

// read takes in server-sent events (WHATWG HTML, 9.2.6) until the stream ends.
func (s *screen) read(body io.Reader) {
	lines := bufio.NewScanner(body)
	lines.Buffer(nil, 4<<20)
	var name, id string
	var data []string
	for lines.Scan() {
		field, value, _ := strings.Cut(lines.Text(), ":")
		value = strings.TrimPrefix(value, " ")
		switch field {
		case "event":
			name = value
		case "id":
			id = value
		case "data":
			data = append(data, value)
		case "":
			s.take(name, id, strings.Join(data, "\n"))
			name, id, data = "", "", nil
		}
	}
	s.mu.Lock()
	s.ended = true
	s.mu.Unlock()
}

func (s *screen) take(name, id, data string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch name {
	case "state":
		seq, _ := strconv.Atoi(id) // 0 where it is none, which no state has
		s.states = append(s.states, shown{seq, data})
	case "reading":
		var r liveReading
		if json.Unmarshal([]byte(data), &r) == nil {
			s.reading = r
		}
	}
}

func (s *screen) last() shown {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.states) == 0 {
		return shown{}
	}
	return s.states[len(s.states)-1]
}

func (s *screen) live() liveReading {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.reading
}

// waitUntil waits for what another goroutine or process is about to do. Its limit is no measure of speed.
func waitUntil(tb testing.TB, what string, ok func() bool) {
	tb.Helper()
	deadline := time.Now().Add(time.Minute)
	for !ok() {
		if time.Now().After(deadline) {
			tb.Fatalf("waited in vain: %s", what)
		}
		time.Sleep(2 * time.Millisecond)
	}
}

// freshConn opens a connection to the program, for requests written by hand.
func freshConn(tb testing.TB, base string) net.Conn {
	tb.Helper()
	conn, err := net.Dial("tcp", strings.TrimPrefix(base, "http://"))
	require.NoError(tb, err)
	tb.Cleanup(func() { conn.Close() })
	return conn
}
