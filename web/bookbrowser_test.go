package web

import (
	"context"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// typist is a browser on a shop's pages, worked by keys alone.
type typist struct {
	t    *testing.T
	ctx  context.Context
	base string
}

func (s *bookShop) typist() typist {
	s.t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("CI") != "" {
			s.t.Fatal("CI needs a browser: install chromium")
		}
		s.t.Skip("no chromium on this machine")
	}
	server := httptest.NewServer(s.handler)
	s.t.Cleanup(server.Close)
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-sync", true), chromedp.Flag("no-proxy-server", true),
	)
	allocator, stop := chromedp.NewExecAllocator(s.t.Context(), options...)
	s.t.Cleanup(stop)
	ctx, cancel := chromedp.NewContext(allocator)
	s.t.Cleanup(cancel)
	require.NoError(s.t, chromedp.Do(ctx))
	return typist{s.t, ctx, server.URL}
}

func (b typist) open(path string) {
	b.t.Helper()
	require.NoError(b.t, chromedp.Do(b.ctx, chromedp.Navigate(b.base+path)))
}

func (b typist) eval(expression string) string {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[string]("String("+expression+")"))
	require.NoError(b.t, err)
	return v
}

func (b typist) keys(keys string) {
	b.t.Helper()
	require.NoError(b.t, chromedp.Do(b.ctx, chromedp.KeyEvent(keys)))
}

// until waits for an expression to become true: answers of the server come when they come.
func (b typist) until(expression string) {
	b.t.Helper()
	require.Eventually(b.t, func() bool { return b.eval(expression) == "true" }, 10*time.Second, 20*time.Millisecond, expression)
}

func TestFormulaIsTypedByKeysAlone(t *testing.T) {
	s := stocked(t)
	b := s.typist()
	b.open("/book/new")
	b.until(`document.querySelectorAll("[data-row]").length === 3`) // the script is at work
	b.eval(`document.querySelector("[name=system]").value = "Solvent base"`)
	b.eval(`document.querySelector("[value=running]").click()`)
	b.eval(`document.querySelector("[name=name]").focus()`)
	b.keys("Pistachio gate")
	b.eval(`document.querySelector("[data-toner]").focus()`)
	at := `[...document.querySelectorAll("[data-row]")].findIndex(r => r.contains(document.activeElement))`
	for i, line := range [][3]string{{"cha", "Chalk", "600"}, {"v3", "Verdigris", "580"}, {"soo", "Soot", "1020"}} {
		row := string(rune('0' + i))
		b.until(at + " === " + row + ` && document.activeElement.matches("[data-toner]")`)
		b.keys(line[0])
		b.until(`document.activeElement.getAttribute("aria-expanded") === "true" && document.querySelector("#toners [aria-selected=true]").dataset.name === "` + line[1] + `"`)
		b.keys(kb.Enter)
		b.until(at + " === " + row + ` && document.activeElement.matches("[data-amount]")`)
		b.keys(line[2])
		b.keys(kb.Enter)
	}
	b.until(`document.querySelectorAll("[data-row]").length === 4`) // a line appeared by itself
	b.until(`(document.querySelector("#amount-2-problem")?.textContent ?? "").startsWith("The running total falls from 600.0 to 580.0")`)
	assert.Equal(t, "/book/new", b.eval(`location.pathname`), "Enter never sends a formula that is still being typed")

	b.eval(`document.querySelectorAll("[data-amount]")[1].focus()`)
	b.eval(`document.activeElement.select()`)
	b.keys("1000")
	b.until(`document.querySelector("#amount-2-problem") === null && document.querySelector("[data-sum]").textContent === "1020.0 g" &&
		[...document.querySelectorAll("[data-grams]")].map(e => e.textContent).join() === "600.0,400.0,20.0,"`)
	b.eval(`document.querySelector("form[data-entry] button.main").click()`)
	b.until(`location.pathname === "/formula/1"`)
	rev, err := s.store.LatestRevision(t.Context(), 1)
	require.NoError(t, err)
	require.Len(t, rev.Lines, 3)
	assert.Equal(t, "Soot", rev.Lines[2].Toner.Name)
	assert.Equal(t, int64(20_000), int64(rev.Lines[2].Mass))
}

func TestBookIsSearchedByKeysAlone(t *testing.T) {
	s := stocked(t)
	for _, name := range []string{"Pistachio gate", "Pistachio fence", "Fjord"} {
		s.keep(typed(name, "Chalk", "600"))
	}
	b := s.typist()
	b.open("/book")
	b.until(`document.querySelector("[data-finder]").classList.contains("live-finder")`)
	b.eval(`document.querySelector("#q").focus()`)
	b.keys("pista")
	b.until(`document.querySelectorAll("#results a.line").length === 2`)
	assert.Equal(t, "?q=pista", b.eval(`location.search`), "the address follows, so that going back finds the list again")
	b.keys(kb.ArrowDown + kb.ArrowDown)
	assert.Contains(t, b.eval(`document.activeElement.textContent`), "Pistachio gate")
	b.keys(kb.ArrowUp + kb.ArrowUp)
	assert.Equal(t, "q", b.eval(`document.activeElement.id`))
	b.eval(`document.querySelector("#q").select()`)
	b.keys("fjo")
	b.keys(kb.Enter)
	b.until(`location.pathname === "/formula/3"`)
}

// The content security policy allows no inline script and no inline style, so no page may need one.
func TestPagesObeyTheContentSecurityPolicy(t *testing.T) {
	s := shopWithOne(t)
	for _, path := range []string{"/book", "/book/new", "/book/import", "/formula/1", "/formula/1/revise", "/formula/1/variant", "/formula/1/edit", "/compare?a=1&b=1", "/shelf", "/shelf/1", "/shelf/new", "/shelf/import"} {
		page := s.get(path).page
		assert.NotRegexp(t, `<[^>]* style=`, page, path)
		assert.NotRegexp(t, `<script(?:[^>]*)>[^<]`, page, path)
		assert.NotRegexp(t, `<[^>]* on[a-z]+=`, page, path)
	}
	broken := s.post("/book/new", url.Values{"toner": {`"><script>alert(1)</script>`}, "amount": {`" onfocus="alert(1)`}})
	assert.NotContains(t, broken.page, "<script>alert")
	assert.NotContains(t, broken.page, `" onfocus="`)
}
