package main

import (
	"fmt"
	"net"
	"net/http"
	"net/url"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// inStep waits until a screen shows the cup as it stands.
func (s typedShop) inStep(view *screen, batch string) {
	s.t.Helper()
	seq := s.state(batch).Seq
	waitUntil(s.t, fmt.Sprintf("the screen shows event %d", seq), func() bool { return view.last().Seq == seq })
}

// watching returns a snapshot without what only the tablet that pours sees, or only the one that looks on.
func heading(markup string) string {
	_, after, _ := strings.Cut(markup, `<header class="bench-bar">`)
	before, _, _ := strings.Cut(after, `</header>`)
	return before
}

func TestScreensStayInStep(t *testing.T) {
	s := openTyped(t)
	ann, ben, cay := newClient(t, s.url), newClient(t, s.url), newClient(t, s.url)
	batch := ann.mix(s.formula, true)
	one, two := ann.follow(batch), ben.follow(batch)
	s.inStep(one, batch)
	s.inStep(two, batch)
	for i, form := range typedTaps() {
		require.Equal(t, http.StatusOK, ann.tap(s.state(batch), form).Status)
		s.inStep(one, batch)
		s.inStep(two, batch)
		assert.Equal(t, heading(one.last().Markup), heading(two.last().Markup), "after tap %d", i)
		if i == 4 { // both look on at a cup that a third tablet has taken over: the very same snapshot
			require.Equal(t, http.StatusOK, cay.tap(s.state(batch), url.Values{"action": {"take_over"}}).Status)
			s.inStep(one, batch)
			s.inStep(two, batch)
			assert.Equal(t, one.last(), two.last())
			require.Equal(t, http.StatusOK, ann.tap(s.state(batch), url.Values{"action": {"take_over"}}).Status)
		}
	}
	for _, view := range []*screen{one, two} {
		view.mu.Lock()
		for i := 1; i < len(view.states); i++ {
			assert.Greater(t, view.states[i].Seq, view.states[i-1].Seq, "snapshots only go forward")
		}
		view.mu.Unlock()
	}
}

// A screen that opens while taps go in must not miss the one between reading the cup and following it.
func TestScreenOpenedDuringATapIsInStep(t *testing.T) {
	s := openTyped(t)
	c, looker := newClient(t, s.url), newClient(t, s.url)
	for range 12 {
		batch := c.mix(s.formula, true)
		for _, form := range typedTaps() {
			state := s.state(batch)
			var views [3]*screen
			var work sync.WaitGroup
			for i := range views {
				work.Go(func() { views[i] = looker.follow(batch) })
			}
			require.Equal(t, http.StatusOK, c.tap(state, form).Status)
			work.Wait()
			for _, view := range views {
				s.inStep(view, batch)
				view.close()
			}
		}
	}
}

// A tablet whose network has stalled holds up neither the pour nor another screen.
func TestSlowScreenHoldsUpNobody(t *testing.T) {
	s := openTyped(t)
	c := newClient(t, s.url)
	batch := s.started(c)
	for range 3 {
		conn := freshConn(t, s.url)
		require.NoError(t, conn.(*net.TCPConn).SetReadBuffer(4096))
		_, err := fmt.Fprintf(conn, "GET /batch/%s/stream HTTP/1.1\r\nHost: pourbook\r\n\r\n", batch)
		require.NoError(t, err) // and it never reads a byte of it
	}
	view := newClient(t, s.url).follow(batch)
	key := string(s.state(batch).Components[0].Key)
	for range 600 { // some megabytes for each screen, more than the buffers on the way hold
		require.Equal(t, http.StatusOK, c.tap(s.state(batch), url.Values{"action": {"shaken"}, "key": {key}}).Status)
	}
	s.inStep(view, batch)
	require.Equal(t, http.StatusOK, c.tap(s.state(batch), typedTaps()[1]).Status)
	s.inStep(view, batch)
}

// Two hundred screens come and go, politely and not; nothing of them stays behind.
func TestScreensLeaveNothingBehind(t *testing.T) {
	s := openTyped(t)
	c := newClient(t, s.url)
	batch := s.started(c)
	warm := c.follow(batch)
	s.inStep(warm, batch)
	warm.close()
	c.http.CloseIdleConnections()
	level := settledGoroutines(t, 0)
	for range 20 {
		var work sync.WaitGroup
		for i := range 10 {
			work.Go(func() {
				if i%2 == 0 {
					view := c.follow(batch)
					waitUntil(t, "a first snapshot", func() bool { return view.last().Seq > 0 })
					view.close()
					return
				}
				conn, err := net.Dial("tcp", strings.TrimPrefix(s.url, "http://"))
				if !assert.NoError(t, err) {
					return
				}
				fmt.Fprintf(conn, "GET /batch/%s/stream HTTP/1.1\r\nHost: pourbook\r\n\r\n", batch)
				if i%4 == 1 {
					_, _ = conn.Read(make([]byte, 100)) // whatever comes first
				}
				conn.Close() // in the middle of it
			})
		}
		work.Wait()
	}
	c.http.CloseIdleConnections()
	settledGoroutines(t, level)
}

// settledGoroutines waits until there are no more goroutines than a level, or with 0 until their number keeps still,
// and returns it.
func settledGoroutines(t *testing.T, level int) int {
	t.Helper()
	deadline := time.Now().Add(time.Minute)
	last, still := -1, 0
	for time.Now().Before(deadline) {
		n := runtime.NumGoroutine()
		if level > 0 && n <= level {
			return n
		}
		if n == last {
			still++
		} else {
			last, still = n, 0
		}
		if level == 0 && still >= 20 {
			return n
		}
		time.Sleep(20 * time.Millisecond)
	}
	stacks := make([]byte, 1<<20)
	t.Fatalf("%d goroutines, at first %d:\n%s", runtime.NumGoroutine(), level, stacks[:runtime.Stack(stacks, true)])
	return 0
}
