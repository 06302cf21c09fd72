package main

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestAnsweredOnlyAfterTheDisk runs the real server under strace while four tablets pour, and reads from the trace that
// every answer to an event went out after the end of a sync of the write-ahead log that began after the event's whole
// commit had been written to it. A kill alone cannot show this, since what is written survives a kill without a sync.
func TestAnsweredOnlyAfterTheDisk(t *testing.T) {
	strace, err := exec.LookPath("strace")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("CI needs strace: install it")
		}
		t.Skip("no strace on this machine")
	}
	program := buildProgram(t)
	path, formulaID := eightBook(t)
	trace := filepath.Join(t.TempDir(), "trace")
	args := append([]string{"-f", "-yy", "-xx", "-s", "8192", "-e", "signal=none", "-e", "trace=read,write,pwrite64,fdatasync,fsync", "-o", trace}, serveTyped(program, path)...)
	cmd := exec.Command(strace, args...)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // so that strace and the server get the same signal
	server := startProcess(t, cmd)
	group := -cmd.Process.Pid
	t.Cleanup(func() { _ = syscall.Kill(group, syscall.SIGKILL) }) // gone already where all is well

	var work sync.WaitGroup
	pourers := make([]*pourer, 4)
	for i := range pourers {
		pourers[i] = &pourer{client: newClient(t, server.url), formula: formulaID}
		require.Equal(t, http.StatusSeeOther, pourers[i].client.must("/who", url.Values{"name": {fmt.Sprintf("Hand %d", i)}}).Status)
	}
	for _, p := range pourers {
		work.Go(func() {
			for range 2 * (1 + len(typedTaps())) { // two cups each, from plan to finish
				if err := p.post(); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	work.Wait()
	require.NoError(t, syscall.Kill(group, syscall.SIGTERM))
	require.NoError(t, server.cmd.Wait())

	text, err := os.ReadFile(trace)
	require.NoError(t, err)
	checked, syncs, early := answersBeforeSync(strings.Split(string(text), "\n"))
	assert.Empty(t, early)
	assert.Equal(t, count(pourers), checked, "every acknowledged event is in the trace")
	t.Logf("%d answers, %d syncs of the log", checked, syncs)

	// The same trace with every sync struck out proves that the check can fail.
	var without []string
	for _, line := range strings.Split(string(text), "\n") {
		if !strings.Contains(line, "fdatasync") && !strings.Contains(line, "fsync") {
			without = append(without, line)
		}
	}
	checked, _, early = answersBeforeSync(without)
	assert.Len(t, early, checked)
	// And with every sync at the very end.
	var late []string
	for _, line := range strings.Split(string(text), "\n") {
		if strings.Contains(line, "fdatasync") || strings.Contains(line, "fsync") {
			late = append(late, line)
		}
	}
	checked, _, early = answersBeforeSync(append(without, late...))
	assert.Len(t, early, checked)
}

// syscallOf is one call of the trace. Calls of several threads overlap: a call begins at one line and ends at another.
type syscallOf struct {
	name       string
	on         string // file or connection
	data       []byte
	begin, end int // line numbers
	ok         bool
}

var (
	callBegins  = regexp.MustCompile(`^(\d+) +(\w+)\((.*)$`)
	callResumes = regexp.MustCompile(`^(\d+) +<\.\.\. (\w+) resumed>(.*)$`)
	callOn      = regexp.MustCompile(`^\d+<(TCP[v6]*:\[[^\]]*\]|[^>]*)>`)
	callData    = regexp.MustCompile(`"((?:\\x[0-9a-f]{2})*)"`)
	callResult  = regexp.MustCompile(`\) += (-?\d+)[^=]*$`)
)

const unfinished = " <unfinished ...>"

// readTrace returns the finished calls of a trace, in the order in which they began. A call that never ended counts as
// one that ends after everything else.
func readTrace(lines []string) []syscallOf {
	type started struct {
		at   int
		args string
	}
	open := map[string]started{} // by thread
	var calls []syscallOf
	for n, line := range lines {
		if m := callBegins.FindStringSubmatch(line); m != nil {
			call := syscallOf{name: m[2], begin: n, end: len(lines)}
			calls = append(calls, call)
			if strings.HasSuffix(line, unfinished) {
				open[m[1]] = started{len(calls) - 1, strings.TrimSuffix(m[3], unfinished)}
				continue
			}
			calls[len(calls)-1].finish(m[3], n)
			continue
		}
		if m := callResumes.FindStringSubmatch(line); m != nil {
			s, ok := open[m[1]]
			if !ok {
				continue
			}
			delete(open, m[1])
			calls[s.at].finish(s.args+m[3], n)
		}
	}
	for _, s := range open {
		calls[s.at].take(s.args)
	}
	return calls
}

func (c *syscallOf) finish(args string, line int) {
	c.end = line
	c.take(args)
	result := callResult.FindStringSubmatch(args)
	c.ok = result != nil && !strings.HasPrefix(result[1], "-")
}

func (c *syscallOf) take(args string) {
	if m := callOn.FindStringSubmatch(args); m != nil {
		c.on = m[1]
		if strings.HasPrefix(c.on, `\x`) {
			c.on = string(unhex(c.on))
		}
	}
	if m := callData.FindStringSubmatch(args); m != nil {
		c.data = unhex(m[1])
	}
}

func unhex(text string) []byte {
	data, err := hex.DecodeString(strings.ReplaceAll(text, `\x`, ""))
	if err != nil {
		return nil
	}
	return data
}

// frameHeader is the size of what stands before every page in the log; bytes 4 to 7 are the size of the file after a
// commit, and 0 in every frame that is not the last of one (https://www.sqlite.org/fileformat2.html, 4.1).
const frameHeader = 24

// answersBeforeSync returns how many answers to events a trace holds, how many syncs of the log, and a sentence for
// every answer that began to go out before its event was safe.
func answersBeforeSync(lines []string) (checked, syncs int, early []string) {
	calls := readTrace(lines)
	var log, syncsOfLog []syscallOf // writes to the log, in order: there is one writer
	for _, c := range calls {
		if !strings.HasSuffix(c.on, "-wal") {
			continue
		}
		switch c.name {
		case "write", "pwrite64":
			log = append(log, c)
		case "fsync", "fdatasync":
			syncsOfLog = append(syncsOfLog, c)
		}
	}
	asked := map[string][]byte{} // what came in on a connection since its last answer
	for _, c := range calls {
		if !strings.HasPrefix(c.on, "TCP") {
			continue
		}
		switch {
		case c.name == "read" && c.ok:
			asked[c.on] = append(asked[c.on], c.data...)
		case c.name == "write" && bytes.HasPrefix(c.data, []byte("HTTP/1.1 ")):
			id := eventOf(asked[c.on], c.data)
			asked[c.on] = nil
			if id == "" {
				continue
			}
			checked++
			if why := unsafeAt(c.begin, id, log, syncsOfLog); why != "" {
				early = append(early, fmt.Sprintf("the answer to %s at line %d: %s", id, c.begin+1, why))
			}
		}
	}
	return checked, len(syncsOfLog), early
}

// eventOf returns the name of the event that a request asked for and its answer acknowledges, or "".
func eventOf(request, answer []byte) string {
	head, body, _ := strings.Cut(string(request), "\r\n\r\n")
	status, err := strconv.Atoi(string(answer[9:12]))
	if err != nil || !strings.HasPrefix(head, "POST ") {
		return ""
	}
	form, err := url.ParseQuery(body)
	if err != nil {
		return ""
	}
	switch place := strings.Fields(head)[1]; {
	case strings.HasPrefix(place, "/batch/") && status < 300:
		return form.Get("id")
	case strings.HasPrefix(place, "/mix/") && status == http.StatusSeeOther:
		_, after, _ := strings.Cut(string(answer), "Location: /batch/")
		batch, _, _ := strings.Cut(after, "\r\n")
		return uuid.NewSHA1(uuid.NameSpaceOID, []byte("planned "+batch)).String() // as web/mix.go names it
	}
	return ""
}

// unsafeAt returns why an event was not safe on the disk at a line of the trace, or "".
func unsafeAt(line int, id string, log, syncs []syscallOf) string {
	first := -1
	for i, w := range log {
		if bytes.Contains(w.data, []byte(id)) {
			first = i
			break
		}
	}
	if first < 0 {
		return "it was never written to the log"
	}
	last := -1 // the page of the commit's last frame
	for i := max(first-1, 0); i+1 < len(log); i++ {
		if d := log[i].data; len(d) == frameHeader && binary.BigEndian.Uint32(d[4:8]) != 0 {
			last = i + 1
			break
		}
	}
	if last < first {
		return "its commit was never written to the log"
	}
	for _, s := range syncs {
		if s.begin > log[last].end {
			if s.ok && s.end < line {
				return ""
			}
			return fmt.Sprintf("the sync of its commit ended at line %d", s.end+1)
		}
	}
	return "its commit was never synced"
}
