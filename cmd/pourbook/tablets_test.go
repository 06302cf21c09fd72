package main

import (
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/pour"
)

// TestTwoTabletsOneCup opens one batch on two tablets: both show the same cup and stay in step, one pours, the other may
// take over, and a tap of the first is then shown and not booked.
func TestTwoTabletsOneCup(t *testing.T) {
	s := openShop(t, 10)
	open := browser(t)
	a, b := open(tablet), open(portrait)
	a.base, b.base = s.url, s.url
	a.startMix(s)
	id := strings.TrimPrefix(a.path(), "/batch/")

	b.open("/batch/" + id)
	b.sees("You are watching")
	a.tap("Pour Chalk")
	b.waitFor(`parseFloat(document.querySelector("[data-live=left]")?.textContent) < 100`)
	a.waitStep(s, id, "Verdigris")
	b.waitFor(`document.querySelector(".toner h1")?.innerText === "Verdigris"`)
	assert.Equal(t, a.eval(`document.querySelector("#stage").dataset.seq`), b.eval(`document.querySelector("#stage").dataset.seq`))
	b.shoot("watching")

	// A reload and a closed tab change nothing.
	before := a.eval(`document.querySelector(".cup-svg").getAttribute("aria-label").split(". Still")[0]`)
	a.do(chromedp.Reload())
	a.waitFor(`document.querySelector(".toner h1")?.innerText === "Verdigris"`)
	assert.Equal(t, before, a.eval(`document.querySelector(".cup-svg").getAttribute("aria-label").split(". Still")[0]`))

	b.tap("Take over")
	b.seesNot("You are watching")
	a.sees("You are watching")
	assert.Equal(t, 2, s.state(t, id).Epoch)
	b.tap("Pour Verdigris")
	b.waitStep(s, id, "Fern")
	a.waitFor(`document.querySelector(".toner h1")?.innerText === "Fern"`)
}

// TestNetworkAway takes the network from a tablet: it says so in large words, keeps what was tapped, and on return is
// in step with nothing booked twice.
func TestNetworkAway(t *testing.T) {
	s := openShop(t, 10)
	a := browser(t)(tablet)
	wire, address := lay(t, s.url)
	a.base = address
	a.startMix(s)
	id := strings.TrimPrefix(a.path(), "/batch/")
	a.tap("Pour Chalk")
	a.waitStep(s, id, "Verdigris")

	wire.pull()
	a.sees("No network")
	a.shoot("no-network")
	a.tap("Take back")
	a.sees("1 tap is kept")
	assert.Len(t, s.state(t, id).Done, 1)
	wire.plug()
	a.seesNot("No network")
	a.waitFor(`document.querySelector(".toner h1")?.innerText === "Chalk"`)

	state := s.state(t, id)
	assert.Empty(t, state.Done)
	events, err := s.store.Events(t.Context(), id)
	assert.NoError(t, err)
	back := 0
	for _, e := range events {
		if e.Body.Kind() == pour.KindTakenBack {
			back++
		}
	}
	assert.Equal(t, 1, back, "the kept tap is booked once")
}

// startMix plans 350 ml of the demo's Mint Hatch and puts the empty cup on.
func (b *tab) startMix(s shop) {
	b.t.Helper()
	b.open("/mix/17?amount=350&unit=ml&of=colour")
	b.tap("Start pouring")
	b.sees("Put the empty cup on the scale")
	b.tap("Put an empty cup on")
	b.tap("The cup is on")
	b.waitFor(fmt.Sprintf(`document.querySelector(".toner h1")?.innerText === %q`, "Chalk"))
}

// cable is the network between one tablet and the server, which a test can pull out and put back.
type cable struct {
	to string

	mu    sync.Mutex
	out   bool
	conns map[net.Conn]struct{}
}

// lay puts a cable between a server's address and a new one, which it returns.
func lay(t *testing.T, url string) (*cable, string) {
	t.Helper()
	c := &cable{to: strings.TrimPrefix(url, "http://"), conns: map[net.Conn]struct{}{}}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { l.Close(); c.pull() })
	go func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			go c.carry(in)
		}
	}()
	return c, "http://" + l.Addr().String()
}

func (c *cable) carry(in net.Conn) {
	defer in.Close()
	out, err := net.Dial("tcp", c.to)
	if err != nil {
		return
	}
	defer out.Close()
	c.mu.Lock()
	if c.out {
		c.mu.Unlock()
		return
	}
	c.conns[in], c.conns[out] = struct{}{}, struct{}{}
	c.mu.Unlock()
	go func() {
		_, _ = io.Copy(out, in)
		out.Close()
	}()
	_, _ = io.Copy(in, out)
	c.mu.Lock()
	delete(c.conns, in)
	delete(c.conns, out)
	c.mu.Unlock()
}

func (c *cable) pull() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.out = true
	for conn := range c.conns {
		conn.Close()
	}
}

func (c *cable) plug() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.out = false
}
