package main

import (
	"fmt"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/pour"
	"pourbook/internal/store"
)

// A shop is locked, two people give their PINs on the keys, and from then on each comes back to the cup in two taps.
func TestPINsAndTheQuickSwitchByTouch(t *testing.T) {
	s := openShop(t, 4)
	var mixers []store.Person
	all, err := s.store.People(t.Context())
	require.NoError(t, err)
	for _, p := range all {
		if p.Role == "mixer" {
			mixers = append(mixers, p)
		}
	}
	require.GreaterOrEqual(t, len(mixers), 2, "the demo has two mixers")
	mixers = mixers[:2]
	b := browser(t)(tablet)
	b.base = s.url
	fill := func(values map[string]string) {
		t.Helper()
		for id, value := range values {
			b.waitFor(fmt.Sprintf("document.getElementById(%q) && (document.getElementById(%q).value = %q)", id, id, value))
		}
	}
	b.open("/lock")
	fill(map[string]string{"name": "Owen", "pin": "471109", "again": "471109"})
	b.tap("Lock it")
	b.sees("The shop is locked")
	for _, p := range mixers {
		b.open("/people/" + itoa(p.ID))
		fill(map[string]string{"pin": "2718", "again": "2718"})
		b.tap("Save")
		b.sees("Somebody new")
	}

	for _, p := range mixers {
		b.open("/who")
		b.tap(p.Name)
		b.sees(p.Name + "'s PIN")
		small, err := chromedp.Run(b.ctx, chromedp.Evaluate[int](`[...document.querySelectorAll(".pin-keys button")].filter(k => k.getBoundingClientRect().height < 64 || k.getBoundingClientRect().width < 64).length`))
		require.NoError(t, err)
		assert.Zero(t, small, "every key is at least 64 px")
		b.waitFor(`!document.querySelector(".pin-keys").hidden`)
		for _, digit := range []string{"2", "7", "9"} {
			b.tap(digit)
		}
		b.do(chromedp.Tap(`[data-key="back"]`))
		for _, digit := range []string{"1", "8"} {
			b.tap(digit)
		}
		b.tap("In")
		b.waitFor(`location.pathname === "/" && document.querySelector(".who").innerText.includes(` + fmt.Sprintf("%q", p.Name) + `)`)
	}

	open, err := s.store.Batches(t.Context(), store.BatchFilter{Open: true})
	require.NoError(t, err)
	var batch string
	for _, one := range open {
		if one.Need == pour.NeedPour {
			batch = one.ID
		}
	}
	require.NotEmpty(t, batch, "the demo has a cup in mid-pour")
	b.open("/batch/" + batch)
	b.sees(mixers[1].Name)
	b.do(chromedp.Tap(".bench-who")) // one
	b.waitFor(`location.pathname === "/who"`)
	b.tap(mixers[0].Name) // two
	b.waitFor(fmt.Sprintf(`location.pathname === "/batch/%s" && document.querySelector(".bench-who").innerText.includes(%q)`, batch, mixers[0].Name))
	b.open("/people")
	b.sees("This is for owners")
}
