package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"pourbook/cmd/pourbook/demo"
	"pourbook/internal/scale"
	"pourbook/internal/store"
)

// The browser tests drive the real program in a real browser: a real book on disk, the pretend scale, real taps.

// size is a screen that the program is used on.
type size struct {
	name          string
	width, height int64
	orientation   chromedp.EmulateViewportOption
}

var (
	tablet   = size{"tablet", 1280, 800, chromedp.EmulateLandscape}
	portrait = size{"portrait", 800, 1280, chromedp.EmulatePortrait}
	phone    = size{"phone", 390, 844, chromedp.EmulatePortrait}
)

// chromium returns the browser's path. Without one a browser test is skipped, but never in CI.
func chromium(t *testing.T) string {
	t.Helper()
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	if os.Getenv("CI") != "" {
		t.Fatal("CI needs a browser: install chromium")
	}
	t.Skip("no chromium on this machine")
	return ""
}

// browser starts one browser for a test and returns a function that opens further tablets, each with its own cookies.
func browser(t *testing.T) func(size) *tab {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(chromium(t)), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-sync", true), chromedp.Flag("no-proxy-server", true),
	)
	allocator, stop := chromedp.NewExecAllocator(t.Context(), options...)
	t.Cleanup(stop)
	root, cancel := chromedp.NewContext(allocator)
	t.Cleanup(cancel)
	require.NoError(t, chromedp.Do(root))
	return func(s size) *tab {
		ctx, closeTab := chromedp.NewContext(root, chromedp.WithNewBrowserContext())
		t.Cleanup(closeTab)
		require.NoError(t, chromedp.Do(ctx)) // the tab lives as long as the context of its first call: no limit on that one
		b := &tab{t: t, ctx: ctx, size: s}
		b.do(chromedp.EmulateViewport(s.width, s.height, s.orientation, chromedp.EmulateTouch))
		return b
	}
}

// tab is one tablet.
type tab struct {
	t    *testing.T
	ctx  context.Context
	size size
	base string
}

// patience is how long a step of a test waits for what it expects; long, since the race detector and a busy machine
// are slow. It is no measure of speed.
const patience = 40 * time.Second

func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		b.fail(err)
	}
}

// fail keeps a picture of what stood on the screen.
func (b *tab) fail(err error) {
	b.t.Helper()
	b.shoot("failed")
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	text, _ := chromedp.Run(ctx, chromedp.Evaluate[string]("location.pathname + '\\n' + document.body.innerText"))
	b.t.Fatalf("%v\non the screen:\n%s", err, text)
}

func (b *tab) open(path string) {
	b.t.Helper()
	b.do(chromedp.Navigate(b.base + path))
}

func (b *tab) path() string {
	b.t.Helper()
	p, err := chromedp.Run(b.ctx, chromedp.Evaluate[string]("location.pathname"))
	require.NoError(b.t, err)
	return p
}

// sees waits until the page holds a text.
func (b *tab) sees(text string) {
	b.t.Helper()
	b.waitFor(fmt.Sprintf("document.body.innerText.includes(%q)", text))
}

// seesNot waits until the page no longer holds a text.
func (b *tab) seesNot(text string) {
	b.t.Helper()
	b.waitFor(fmt.Sprintf("!document.body.innerText.includes(%q)", text))
}

// waitFor waits until an expression is true on the page. It asks from outside, so that a page may go away meanwhile.
func (b *tab) waitFor(expression string) {
	b.t.Helper()
	deadline := time.Now().Add(patience)
	for {
		ok, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool]("!!("+expression+")"))
		if err == nil && ok {
			return
		}
		if time.Now().After(deadline) {
			b.fail(fmt.Errorf("waited for %s (last error %v)", expression, err))
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// tap touches a button or link by what it says, once it can be touched where it lies: what covers it takes the touch.
func (b *tab) tap(label string) {
	b.t.Helper()
	find := fmt.Sprintf(`(() => {
		const e = [...document.querySelectorAll("button, a, label, summary")].find(e => e.innerText.trim().startsWith(%q) && !e.disabled && e.offsetParent !== null && !e.classList.contains("wait"));
		if (!e) return "";
		e.scrollIntoView({block: "center", behavior: "instant"});
		const r = e.getBoundingClientRect(), x = r.x + r.width / 2, y = r.y + r.height / 2;
		const top = document.elementFromPoint(x, y);
		return top && (e.contains(top) || top.contains(e)) ? x + " " + y : "";
	})()`, label)
	deadline := time.Now().Add(patience)
	for {
		at, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](find))
		var x, y float64
		if n, _ := fmt.Sscan(at, &x, &y); err == nil && n == 2 {
			b.do(chromedp.TapXY(x, y))
			return
		}
		if time.Now().After(deadline) {
			b.fail(fmt.Errorf("nothing to tap says %q (last error %v)", label, err))
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// fill types into a field.
func (b *tab) fill(selector, text string) {
	b.t.Helper()
	b.waitFor(fmt.Sprintf("document.querySelector(%q)", selector))
	_ = b.eval(fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.scrollIntoView({block: "center"}); e.focus(); e.select(); return "" })()`, selector))
	b.do(chromedp.KeyEvent(text))
}

func (b *tab) eval(expression string) string {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[string]("String("+expression+")"))
	require.NoError(b.t, err)
	return v
}

// scheme makes the browser prefer light or dark.
func (b *tab) scheme(name string) {
	b.t.Helper()
	b.do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: name}}})
		return err
	}))
}

// shots is where pictures are kept: a folder named by POURBOOK_SHOTS, or the test's own, which goes away.
func shots(t *testing.T) string {
	dir := os.Getenv("POURBOOK_SHOTS")
	if dir == "" {
		return t.TempDir()
	}
	require.NoError(t, os.MkdirAll(dir, 0o755))
	return dir
}

// shoot keeps a picture of the screen.
func (b *tab) shoot(name string) []byte {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	picture, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	if err != nil {
		b.t.Logf("no picture of %s: %v", name, err)
		return nil
	}
	file := filepath.Join(shots(b.t), strings.ReplaceAll(b.t.Name(), "/", "-")+"-"+name+"-"+b.size.name+".png")
	require.NoError(b.t, os.WriteFile(file, picture, 0o644))
	return picture
}

// shop is a running demo shop.
type shop struct {
	store *store.Store
	scale *scale.Pretend
	url   string
}

// openShop serves the demo shop with a hand that does not slip, speed times as fast as at a real bench.
func openShop(t *testing.T, speed float64) shop {
	t.Helper()
	book, err := store.Open(filepath.Join(t.TempDir(), "book.db"))
	require.NoError(t, err)
	t.Cleanup(func() { book.Close() })
	require.NoError(t, loadDemo(t.Context(), book, 1, time.Now()))
	device, err := scale.NewPretend(scale.PretendSetup{Balance: demo.Balance, Hand: scale.Sure(), Seed: 1, Speed: speed})
	require.NoError(t, err)
	url := serveForTest(t, book, device)
	return shop{store: book, scale: device, url: url}
}

// serveForTest serves a book on a free port until the test ends.
func serveForTest(t *testing.T, book *store.Store, device scale.Scale) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	addr := listener.Addr().String()
	require.NoError(t, listener.Close())
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() {
		ended <- serveBook(ctx, book, serveOptions{Addr: addr, Scale: device, Name: "pretend scale", Notice: demoNotice, Log: slog.New(slog.DiscardHandler)}, io.Discard)
	}()
	t.Cleanup(func() { stop(); <-ended })
	require.Eventually(t, func() bool {
		c, err := net.Dial("tcp", addr)
		if err == nil {
			c.Close()
		}
		return err == nil
	}, 10*time.Second, 10*time.Millisecond)
	return "http://" + addr
}

func itoa(n int64) string { return strconv.FormatInt(n, 10) }
