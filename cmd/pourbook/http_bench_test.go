package main

import (
	"bufio"
	"bytes"
	"database/sql"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	_ "github.com/mattn/go-sqlite3"
	"github.com/stretchr/testify/require"

	"pourbook/internal/bench"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/scale"
	"pourbook/internal/store"
	"pourbook/web"
)

// Run both of the first two together, several times, and compare their events/s:
//
//	go test -run '^$' -bench 'PourHTTP8|BareInsert' -count 5 ./cmd/pourbook

// BenchmarkBareInsert is the yardstick of BenchmarkPourHTTP8: one small row, one connection with the settings of the
// store's writer, a commit each.
func BenchmarkBareInsert(b *testing.B) {
	db, err := sql.Open("sqlite3", "file:"+filepath.Join(b.TempDir(), "bare.db")+"?_journal_mode=WAL&_synchronous=FULL&_busy_timeout=5000&_foreign_keys=1&_txlock=immediate")
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, db.Close()) })
	db.SetMaxOpenConns(1)
	for name, want := range map[string]string{"journal_mode": "wal", "synchronous": "2"} {
		var got string
		require.NoError(b, db.QueryRow("PRAGMA "+name).Scan(&got))
		require.Equal(b, want, got, name)
	}
	for _, query := range []string{`PRAGMA wal_autocheckpoint = 4000`, `CREATE TABLE bare (id INTEGER PRIMARY KEY, body TEXT NOT NULL)`} {
		_, err := db.Exec(query)
		require.NoError(b, err)
	}
	insert, err := db.Prepare(`INSERT INTO bare (body) VALUES (?)`)
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, insert.Close()) })
	for b.Loop() {
		if _, err := insert.Exec(`{"step":1,"attempt":1,"key":"t12","reading":412300}`); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "events/s")
}

// BenchmarkPourHTTP8 pours with eight tablets over HTTP, each cup after cup of its own from the empty cup to the end. An
// event is counted once its own answer has come, and an answer comes once its event is durable. The cups are planned
// before the clock runs.
func BenchmarkPourHTTP8(b *testing.B) {
	path, formulaID := eightBook(b)
	book, err := store.Open(path)
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, book.Close()) })
	processors := runtime.GOMAXPROCS(0) // serving changes it
	b.Cleanup(func() { runtime.GOMAXPROCS(processors) })
	server := startServing(b, book, nil)
	const tablets = 8
	hands, cups := make([]*wire, tablets), make([][]string, tablets)
	events := b.N/tablets + 1 // of each tablet
	for i := range hands {
		c := newClient(b, server.url)
		require.Equal(b, http.StatusSeeOther, c.must("/who", url.Values{"name": {fmt.Sprintf("Hand %d", i)}}).Status)
		hands[i] = newWire(b, c)
	}
	for range events/len(typedTaps()) + 1 { // as tablets plan that pour beside each other: one cup each, then the next
		for i, w := range hands {
			cups[i] = append(cups[i], planned(b, w, formulaID))
		}
	}
	var work sync.WaitGroup
	b.ResetTimer()
	for i, w := range hands {
		work.Go(func() {
			if err := pourAll(w, cups[i], events); err != nil {
				b.Error(err)
			}
		})
	}
	work.Wait()
	b.StopTimer()
	b.ReportMetric(float64(tablets*events)/b.Elapsed().Seconds(), "events/s")
}

// wire is a tablet on one connection that is kept alive. It writes and reads HTTP/1.1 by hand, so that the machine's time
// goes to the program and not to a client library beside it.
type wire struct {
	conn net.Conn
	in   *bufio.Reader
	head string // the headers that every request has
}

// newWire takes over the cookies of a client.
func newWire(tb testing.TB, c *client) *wire {
	tb.Helper()
	at, err := url.Parse(c.base)
	require.NoError(tb, err)
	var cookies []string
	for _, k := range c.http.Jar.Cookies(at) {
		cookies = append(cookies, k.Name+"="+k.Value)
	}
	require.Len(tb, cookies, 2)
	conn := freshConn(tb, c.base)
	return &wire{conn: conn, in: bufio.NewReader(conn), head: " HTTP/1.1\r\nHost: " + at.Host +
		"\r\nAccept: application/json\r\nAccept-Encoding: gzip, deflate\r\nSec-Fetch-Site: same-origin" +
		"\r\nContent-Type: application/x-www-form-urlencoded\r\nCookie: " + strings.Join(cookies, "; ") + "\r\nContent-Length: "}
}

func (w *wire) post(path string, form url.Values) (answer, error) {
	body := form.Encode()
	if _, err := io.WriteString(w.conn, "POST "+path+w.head+strconv.Itoa(len(body))+"\r\n\r\n"+body); err != nil {
		return answer{}, err
	}
	res, err := http.ReadResponse(w.in, nil)
	if err != nil {
		return answer{}, err
	}
	data, err := io.ReadAll(res.Body)
	if err != nil {
		return answer{}, err
	}
	said := answer{Status: res.StatusCode, Place: res.Header.Get("Location")}
	if res.StatusCode == http.StatusOK {
		err = json.Unmarshal(data, &said)
	}
	return said, err
}

// planned starts a batch and returns its address.
func planned(tb testing.TB, w *wire, formulaID int64) string {
	tb.Helper()
	said, err := w.post("/mix/"+strconv.FormatInt(formulaID, 10), mixForm(uuid.NewString(), true))
	require.NoError(tb, err)
	require.Equal(tb, http.StatusSeeOther, said.Status, "%+v", said)
	return said.Place
}

// pourAll pours cup after cup, that many events in all.
func pourAll(w *wire, cups []string, events int) error {
	for _, cup := range cups {
		seq := 1
		for _, form := range typedTaps() {
			if events--; events < 0 {
				return nil
			}
			form.Set("id", uuid.Must(uuid.NewV7()).String()) // as the tablets make them
			form.Set("seen", strconv.Itoa(seq))
			form.Set("epoch", "1")
			said, err := w.post(cup+"/tap", form)
			if err != nil || said.Status != http.StatusOK || said.Seq != seq+1 {
				return fmt.Errorf("tap %v after %d: %w, %+v", form, seq, err, said)
			}
			seq = said.Seq
		}
	}
	return nil
}

// BenchmarkBookPage asks for pages of a book of 10 000 formulas as people do: the first, further ones, what is typed
// into the search. It reports the server's time for a page, from the request to its last byte.
func BenchmarkBookPage(b *testing.B) {
	book, err := store.Open(filepath.Join(b.TempDir(), "book.db"))
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, book.Close()) })
	fillWithFormulas(b, book, 10_000)
	log := slog.New(slog.DiscardHandler)
	pad := scale.NewKeypad(gram.Balance{Division: 100 * gram.Milligram})
	handler := web.New(web.Config{Store: book, Bench: bench.New("bench", pad, book, time.Now, log), Typed: true, Now: time.Now, Log: log, Hosts: []string{"example.com"}})
	for _, visit := range []struct {
		name  string
		paths []string
	}{
		{"first", []string{"/book"}},
		{"later", []string{"/book?from=40", "/book?from=4000", "/book?from=9960"}},
		{"typing", []string{"/book?q=s&part=list", "/book?q=sl&part=list", "/book?q=slate&part=list", "/book?q=slate+gre&part=list", "/book?q=1&part=list", "/book?q=K7-204&part=list"}},
		{"filter", []string{"/book?finish=pearl", "/book?q=g&system=Solvent+base&coat=base&finish=metallic"}},
	} {
		b.Run(visit.name, func(b *testing.B) {
			var took []time.Duration
			for n := 0; b.Loop(); n++ {
				r := httptest.NewRequest(http.MethodGet, visit.paths[n%len(visit.paths)], nil)
				w := &discard{header: http.Header{}}
				start := time.Now()
				handler.ServeHTTP(w, r)
				took = append(took, time.Since(start))
				if w.status != http.StatusOK || w.size < 100 {
					b.Fatalf("%s: %d, %d bytes", r.URL, w.status, w.size)
				}
			}
			slices.Sort(took)
			b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "p50-ms")
			b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1000, "p99-ms")
		})
	}
}

// discard counts an answer and lets it go.
type discard struct {
	header http.Header
	status int
	size   int
}

func (d *discard) Header() http.Header  { return d.header }
func (d *discard) WriteHeader(code int) { d.status = code }
func (d *discard) Write(p []byte) (int, error) {
	if d.status == 0 {
		d.status = http.StatusOK
	}
	n, err := io.Copy(io.Discard, bytes.NewReader(p))
	d.size += int(n)
	return int(n), err
}

// fillWithFormulas imports n invented formulas of five to eight toners.
func fillWithFormulas(tb testing.TB, book *store.Store, n int) {
	tb.Helper()
	eightToners(tb, book)
	toners, err := book.Toners(tb.Context(), store.TonerFilter{})
	require.NoError(tb, err)
	first := []string{"Amber", "Ash", "Birch", "Brass", "Canal", "Chalk", "Clay", "Dune", "Fern", "Flint", "Frost", "Granite", "Harbour", "Ivory", "Kelp", "Linen", "Moss", "Oak", "Pebble", "Quartz", "Rain", "Rust", "Sage", "Shale", "Slate", "Stone", "Thistle", "Umber", "Violet", "Wheat"}
	second := []string{"blue", "green", "grey", "red", "yellow", "gate", "door", "mist", "glow", "shade", "white", "deep", "light", "field", "ridge", "dawn"}
	r := rand.New(rand.NewPCG(1, 2))
	for done := 0; done < n; {
		entries := make([]store.NewEntry, min(2000, n-done))
		for i := range entries {
			var lines []formula.Line
			for j := range 5 + r.IntN(4) {
				lines = append(lines, formula.Line{Toner: toners[j], Mass: gram.Mass(5+r.IntN(200)) * gram.Gram})
			}
			entries[i] = store.NewEntry{
				Formula: formula.Formula{
					Name: first[r.IntN(len(first))] + " " + second[r.IntN(len(second))], Code: fmt.Sprintf("%c%d-%03d/%d", 'A'+r.IntN(26), r.IntN(10), r.IntN(1000), done+i),
					Years: strconv.Itoa(1950 + r.IntN(70)), Tags: []string{second[r.IntN(len(second))]}, System: "Solvent base",
					Coat: formula.Coats[r.IntN(len(formula.Coats))], Finish: formula.Finishes[r.IntN(len(formula.Finishes))], Swatch: fmt.Sprintf("#%06x", r.IntN(1<<24)),
				},
				Revisions: []formula.Revision{{Lines: lines}},
			}
		}
		_, err := book.ImportFormulas(tb.Context(), entries)
		require.NoError(tb, err)
		done += len(entries)
	}
}
