package main

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/cmd/pourbook/demo"
	"pourbook/internal/gram"
)

// A mixer lifts the cup in mid-pour and leaves a stick in it: the screen asks, one tap answers, and the stick is not paint.
// The sound is off until somebody switches it on, and the tablet remembers.
func TestAskedInABrowser(t *testing.T) {
	s := openShop(t, 6)
	b := browser(t)(phone)
	b.base = s.url
	b.open("/book")
	b.fill(`input[name="q"]`, "mint ha")
	b.sees("Mint Hatch")
	b.tap("Mint Hatch")
	b.sees("Verdigris")
	b.tap("Mix this")
	b.fill("[data-mix] #amount", "350")
	b.tap("Start pouring")
	b.sees("Put the empty cup on the scale")
	b.tap("Put an empty cup on")
	b.tap("The cup is on")
	b.sees("Chalk")
	id := strings.TrimPrefix(b.path(), "/batch/")

	cup := s.scale.True()
	require.NoError(t, s.scale.Pour(100*gram.Gram))
	b.waitFor(`document.querySelector("[data-live=net]") && !document.querySelector(".asking:not([hidden])")`)
	for s.scale.Pouring() {
		b.seesNot("nobody saw them poured")
	}
	poured := s.scale.True() - cup
	want := (cup + poured).Round(demo.Balance.Division).Show(demo.Balance.Division)
	b.waitFor(`document.querySelector("[data-live=reads]").textContent === "` + want + `"`)
	time.Sleep(time.Second) // six at the scale: it stands
	require.NoError(t, s.scale.Lift())
	b.sees("If the cup is off, put it back")
	b.shoot("lifted")
	require.NoError(t, s.scale.Return())
	require.NoError(t, s.scale.Add(gram.Of(7.2)))
	b.waitFor(`/(^|\s)7\.2 g more are on the scale than before/.test(document.body.innerText)`)
	b.shoot("heavier")
	b.tap("A stick or a lid")
	b.seesNot("7.2 g more")
	state := s.state(t, id)
	assert.InDelta(t, (cup + gram.Of(7.2)).Grams(), state.CupReading.Grams(), 0.11, "the stick counts as cup")
	assert.Zero(t, state.Contents(), "and nothing was booked")

	b.open("/batch/" + id + "/other")
	b.sees("Switch the sound on")
	b.tap("Switch the sound on")
	b.sees("Switch the sound off")
	b.open("/batch/" + id + "/other")
	b.sees("Switch the sound off")
	b.shoot("more")
}
