package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/card"
	"pourbook/internal/pour"
	"pourbook/internal/store"
)

// TestEveryPageIsAccessible has axe-core (testdata/axe, MPL-2.0) look at every page, in light and dark.
func TestEveryPageIsAccessible(t *testing.T) {
	s := openShop(t, 6)
	open := browser(t)
	script, err := os.ReadFile(filepath.Join("..", "..", "testdata", "axe", "axe.min.js"))
	require.NoError(t, err)
	for _, screen := range []size{tablet, phone} {
		b := open(screen)
		b.base = s.url
		for _, scheme := range []string{"light", "dark"} {
			b.scheme(scheme)
			for _, path := range everyPage(t, s) {
				b.t = t
				b.open(path)
				b.waitFor(`document.readyState === "complete" && document.querySelector("main")`)
				found := b.axe(string(script))
				assert.Emptyf(t, found, "%s, %s, %s", path, screen.name, scheme)
				if len(found) > 0 {
					b.shoot(strings.NewReplacer("/", "_", "?", "_").Replace(path) + "-" + scheme)
				}
				wide := b.eval(`document.documentElement.scrollWidth > document.documentElement.clientWidth`)
				assert.Equalf(t, "false", wide, "%s scrolls sideways on a %s", path, screen.name)
			}
		}
	}
}

// axe returns what is wrong with the page, a line for each fault.
func (b *tab) axe(script string) []string {
	b.t.Helper()
	b.do(chromedp.Evaluate[chromedp.Void](script))
	text, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](`axe.run({resultTypes: ["violations"]}).then(r => JSON.stringify(
		r.violations.flatMap(v => v.nodes.map(n => v.id + ": " + n.target.join(" ") + " – " + n.failureSummary.split("\n").slice(0, 3).join(" ")))))`, chromedp.EvalAwaitPromise))
	require.NoError(b.t, err)
	var found []string
	require.NoError(b.t, json.Unmarshal([]byte(text), &found))
	return found
}

// everyPage lists one address of every kind of page that the demo shop has.
func everyPage(t *testing.T, s shop) []string {
	t.Helper()
	pages := []string{
		"/", "/who", "/book", "/book?q=mint", "/book?q=nothing-like-it", "/book/new", "/book/import", "/shelf", "/shelf/3/colour", "/shelf/new", "/shelf/import",
		"/cards", "/records", "/records?q=nothing-like-it", "/shop", "/who", "/lock", "/people", "/people/1", "/tablets", "/join", "/formula/17", "/formula/17/revise", "/formula/17/variant", "/formula/17/edit",
		"/mix/17", "/mix/17?amount=20&unit=g", "/match", "/match?formula=17", "/match/none", "/formula/17/target", "/cards/19", "/no-such-page",
	}
	batches, err := s.store.Batches(t.Context(), store.BatchFilter{})
	require.NoError(t, err)
	kinds := map[string]bool{}
	for _, b := range batches {
		kind := string(b.Need) + b.Outcome
		if kinds[kind] {
			continue
		}
		kinds[kind] = true
		page := "/batch/" + b.ID
		pages = append(pages, page)
		if b.EndedAt.IsZero() {
			pages = append(pages, page+"/other", page+"/wrong", page+"/draw", page+"/tint", page+"/reduce", page+"/finish", page+"/give-up", page+"/card")
		}
	}
	cards, err := s.store.Cards(t.Context(), 1, 0)
	require.NoError(t, err)
	require.NotEmpty(t, cards)
	for _, c := range measuredCards(t, s) { // advice from a measured card, and its curve beside the target's
		pages = append(pages, "/card/"+itoa(c.ID), "/card/"+itoa(c.ID)+"/variant", "/batch/"+c.Batch+"/tint", "/match?card="+itoa(c.ID))
	}
	return append(pages, "/card/"+itoa(cards[0].ID), "/card/"+itoa(cards[0].ID)+"/edit")
}

// measuredCards returns the newest card with a spectrum whose cup can still be tinted.
func measuredCards(t *testing.T, s shop) []card.Card {
	t.Helper()
	cards, err := s.store.Cards(t.Context(), 100, 0)
	require.NoError(t, err)
	for _, c := range cards {
		state, err := s.store.State(t.Context(), c.Batch)
		require.NoError(t, err)
		if c.Spectrum != nil && state.Need() == pour.NeedNext && state.Reduced == nil {
			return []card.Card{c}
		}
	}
	t.Fatal("the demo has no measured card of a cup that can still be tinted")
	return nil
}
