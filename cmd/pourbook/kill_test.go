package main

import (
	"bufio"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/store"
)

// buildProgram builds the real program into a folder that goes away with the test.
func buildProgram(tb testing.TB) string {
	tb.Helper()
	path := filepath.Join(tb.TempDir(), "pourbook")
	said, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput()
	require.NoError(tb, err, "%s", said)
	return path
}

// process is the real program as a process of its own.
type process struct {
	cmd *exec.Cmd
	url string
}

// serveTyped is the command line that serves a book with typed readings on a free port.
func serveTyped(program, book string) []string {
	return []string{program, "serve", "-book", book, "-addr", "127.0.0.1:0", "-scale", "typed"}
}

// startProcess starts a command that serves, and returns once it listens.
func startProcess(tb testing.TB, cmd *exec.Cmd) *process {
	tb.Helper()
	p := &process{cmd: cmd}
	log := &strings.Builder{}
	p.cmd.Stderr = log
	out, err := p.cmd.StdoutPipe()
	require.NoError(tb, err)
	require.NoError(tb, p.cmd.Start())
	tb.Cleanup(p.kill)
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		p.kill()
		require.NoError(tb, err, "the server did not start: %s", log)
	}
	go io.Copy(io.Discard, out)
	p.url = line[strings.Index(line, "http://") : len(line)-1]
	return p
}

func startServe(tb testing.TB, program, book string) *process {
	tb.Helper()
	args := serveTyped(program, book)
	return startProcess(tb, exec.Command(args[0], args[1:]...))
}

// kill ends the process as a power cut would, as far as the program is concerned: it gets to do nothing more.
func (p *process) kill() {
	if p.cmd.ProcessState == nil {
		_ = p.cmd.Process.Kill() // SIGKILL; it may have ended already
		_ = p.cmd.Wait()
	}
}

// sent is one post of a client and what became of it.
type sent struct {
	path   string
	form   url.Values
	batch  string // known once the batch is
	seq    int    // of the answer
	answer answer
}

// pourer pours cup after cup, one post after the other, as a tablet does.
type pourer struct {
	client  *client
	formula int64
	batch   string
	taps    []url.Values // of the cup, still to send
	seen    int
	waiting *sent // sent, and no answer came
	done    []sent

	compared int // of done
}

// next returns what is to be sent now: what had no answer, or the next tap.
func (p *pourer) next() sent {
	switch {
	case p.waiting != nil:
		return *p.waiting
	case len(p.taps) == 0:
		return sent{path: "/mix/" + strconv.FormatInt(p.formula, 10), form: mixForm(uuid.NewString(), true)}
	}
	form := url.Values{"id": {uuid.NewString()}, "seen": {strconv.Itoa(p.seen)}, "epoch": {"1"}}
	for k, v := range p.taps[0] {
		form[k] = v
	}
	return sent{path: "/batch/" + p.batch + "/tap", form: form, batch: p.batch}
}

// post sends the next and reports whether the program is still there and said yes.
func (p *pourer) post() error {
	s := p.next()
	p.waiting = &s
	said, err := p.client.post(s.path, s.form)
	if err != nil {
		return err
	}
	p.waiting = nil
	s.answer = said
	if strings.HasPrefix(s.path, "/mix/") {
		if said.Status != http.StatusSeeOther {
			return refusedError{s}
		}
		s.batch, s.seq = strings.TrimPrefix(said.Place, "/batch/"), 1
		p.batch, p.taps, p.seen = s.batch, typedTaps(), 1
	} else {
		if said.Status != http.StatusOK || said.Seq != p.seen+1 {
			return refusedError{s}
		}
		s.seq = said.Seq
		p.taps, p.seen = p.taps[1:], said.Seq
	}
	p.done = append(p.done, s)
	return nil
}

// refusedError is an answer that a tablet must not get here.
type refusedError struct{ sent }

func (e refusedError) Error() string { return fmt.Sprintf("%s %v: %+v", e.path, e.form, e.answer) }

// kills is how often the short form kills the server. POURBOOK_KILLS=200 go test -run TestKilled ./cmd/pourbook is the
// long form; a release is held to 1000.
func kills(t *testing.T) int {
	text := os.Getenv("POURBOOK_KILLS")
	if text == "" {
		return 12
	}
	n, err := strconv.Atoi(text)
	require.NoError(t, err, "POURBOOK_KILLS takes a number")
	return n
}

// TestKilledServerKeepsWhatItAcknowledged kills the real server at any moment while four tablets pour. Afterwards every
// tap that was answered is in the book once and as it was sent, and nothing else is; what had no answer is sent again
// under the same name and is then there once as well.
func TestKilledServerKeepsWhatItAcknowledged(t *testing.T) {
	program := buildProgram(t)
	path, formulaID := eightBook(t)
	r := rand.New(rand.NewPCG(8, 27))
	pourers := make([]*pourer, 4)
	for i := range pourers {
		pourers[i] = &pourer{client: newClient(t, ""), formula: formulaID}
	}
	acknowledged, between := 0, 0
	for round := range kills(t) {
		server := startServe(t, program, path)
		for _, p := range pourers {
			p.client.moveTo(server.url)
		}
		if round == 0 { // each tablet says who works at it, and has its name from then on
			for i, p := range pourers {
				require.Equal(t, http.StatusSeeOther, p.client.must("/who", url.Values{"name": {fmt.Sprintf("Hand %d", i)}}).Status)
			}
		} else {
			compare(t, path, pourers, false)
		}
		deadline := time.After(time.Duration(2+r.IntN(60)) * time.Millisecond)
		var work sync.WaitGroup
		errs := make(chan error, len(pourers))
		before := count(pourers)
		for _, p := range pourers {
			work.Go(func() {
				for {
					if err := p.post(); err != nil {
						errs <- err
						return
					}
				}
			})
		}
		<-deadline
		server.kill()
		work.Wait()
		for range pourers {
			var refused refusedError
			if err := <-errs; assert.Error(t, err) {
				require.NotErrorAs(t, err, &refused, "round %d", round)
			}
		}
		acknowledged += count(pourers) - before
		for _, p := range pourers {
			if p.waiting != nil {
				between++
			}
		}
	}
	server := startServe(t, program, path)
	for _, p := range pourers {
		p.client.moveTo(server.url)
	}
	compare(t, path, pourers, true)
	for _, p := range pourers {
		for p.waiting != nil || len(p.taps) > 0 { // to the end of the cup
			require.NoError(t, p.post())
		}
	}
	compare(t, path, pourers, true)
	requireFull(t, path, pourers)
	for _, p := range pourers {
		for _, s := range p.done[max(0, len(p.done)-100):] { // what was answered last, under the same names
			said, err := p.client.post(s.path, s.form)
			require.NoError(t, err)
			require.Contains(t, []int{http.StatusOK, http.StatusSeeOther}, said.Status, "%v again: %+v", s.form, said)
		}
	}
	compare(t, path, pourers, true)
	require.Positive(t, acknowledged)
	t.Logf("%d kills, %d taps acknowledged, %d cut off", kills(t), acknowledged, between)
}

func count(pourers []*pourer) int {
	n := 0
	for _, p := range pourers {
		n += len(p.done)
	}
	return n
}

// compare holds the events in the file against what the tablets were told. Each tablet may have one post in the air,
// which is in the file or is not. Unless all are asked for, only those batches are read that were poured since the last
// time.
func compare(t *testing.T, path string, pourers []*pourer, all bool) {
	t.Helper()
	book, err := store.OpenReadOnly(path)
	require.NoError(t, err)
	defer book.Close()

	told, air := map[string][]sent{}, map[string]sent{}
	touched := map[string]bool{}
	plans := 0 // in the air, so that no tablet knows their batch
	for _, p := range pourers {
		for i, s := range p.done {
			told[s.batch] = append(told[s.batch], s)
			if all || i >= p.compared {
				touched[s.batch] = true
			}
		}
		p.compared = len(p.done)
		switch {
		case p.waiting == nil:
		case p.waiting.batch == "":
			plans++
		default:
			air[p.waiting.batch] = *p.waiting
			touched[p.waiting.batch] = true
		}
	}
	for batch := range touched {
		events, err := book.Events(t.Context(), batch)
		require.NoError(t, err)
		acknowledged := told[batch]
		require.GreaterOrEqual(t, len(events), len(acknowledged), "an acknowledged event of batch %s is lost", batch)
		for i, s := range acknowledged { // a tablet sends one after the other, so its answers count up
			require.Equal(t, i+1, s.seq)
			require.Equal(t, i+1, events[i].Seq)
			if _, plan := events[i].Body.(pour.Planned); !plan {
				require.Equal(t, s.form.Get("id"), events[i].ID, "event %d of batch %s", s.seq, batch)
			}
			requireAsSent(t, s, events[i])
		}
		if rest := events[len(acknowledged):]; len(rest) > 0 {
			s, ok := air[batch]
			require.True(t, ok && len(rest) == 1, "batch %s holds events that nobody sent, or one twice", batch)
			require.Equal(t, s.form.Get("id"), rest[0].ID)
			requireAsSent(t, s, rest[0])
		}
		_, err = pour.Fold(events)
		require.NoError(t, err)
	}
	kept := 0
	for more := true; more; {
		batches, err := book.Batches(t.Context(), store.BatchFilter{Limit: 500, Offset: kept})
		require.NoError(t, err)
		for _, b := range batches {
			if told[b.ID] == nil {
				plans--
			}
		}
		kept += len(batches)
		more = len(batches) == 500
	}
	require.GreaterOrEqual(t, plans, 0, "batches that nobody planned, or one twice")
	require.GreaterOrEqual(t, kept, len(told), "an acknowledged batch is lost")
}

// requireFull holds that a tablet's last cup came out right.
func requireFull(t *testing.T, path string, pourers []*pourer) {
	t.Helper()
	book, err := store.OpenReadOnly(path)
	require.NoError(t, err)
	defer book.Close()
	for _, p := range pourers {
		state, err := book.State(t.Context(), p.batch)
		require.NoError(t, err)
		require.True(t, state.Ended())
		require.Equal(t, eightTotal*gram.Gram, state.Contents())
	}
}

// requireAsSent holds one event against the form that it came from.
func requireAsSent(t *testing.T, s sent, e pour.Event) {
	t.Helper()
	reading := func() gram.Mass {
		grams, err := strconv.ParseInt(s.form.Get("typed"), 10, 64)
		require.NoError(t, err)
		return gram.Mass(grams) * gram.Gram
	}
	switch b := e.Body.(type) {
	case pour.Planned:
		require.Contains(t, s.path, "/mix/")
		require.Equal(t, eightTotal*gram.Gram, b.Total)
	case pour.CupPlaced:
		require.Equal(t, "cup", s.form.Get("action"))
		require.Equal(t, reading(), b.Reading)
	case pour.Poured:
		require.Equal(t, "pour", s.form.Get("action"))
		require.Equal(t, s.form.Get("step"), strconv.Itoa(b.Step))
		require.Equal(t, reading(), b.Reading)
	case pour.Stirred:
		require.Equal(t, "stirred", s.form.Get("action"))
	case pour.Finished:
		require.Equal(t, "finish", s.form.Get("action"))
		require.Equal(t, 20*gram.Gram, b.Kept)
	default:
		require.Failf(t, "an event that nobody sent", "%T", b)
	}
}
