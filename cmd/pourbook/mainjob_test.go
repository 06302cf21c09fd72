package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
)

// TestMainJob does what a mixer does from the book to the variant, on a tablet, with fingers.
func TestMainJob(t *testing.T) {
	s := openShop(t, 6)
	b := browser(t)(tablet)
	b.base = s.url

	// Find the colour by the beginning of its name, ask for 350 ml, see what the scale makes of it.
	b.open("/book")
	b.fill(`input[name="q"]`, "mint ha")
	b.sees("Mint Hatch")
	b.shoot("01-found")
	b.tap("Mint Hatch")
	b.sees("Verdigris")
	b.shoot("02-formula")
	b.tap("Mix this")
	b.fill("[data-mix] #amount", "350")
	b.fill("#job", "Ice-cream van Ada, hatch")
	b.sees("of Slate is hard to weigh here") // 0.56 g on a display of 0.1 g: warned about, not refused
	b.shoot("03-amount")
	b.tap("Start pouring")

	// The empty cup, then toner by toner. Nobody types a number: a reading that stands at its mark is accepted.
	b.sees("Put the empty cup on the scale")
	b.tap("Put an empty cup on")
	b.shoot("04-cup")
	b.tap("The cup is on")
	id := strings.TrimPrefix(b.path(), "/batch/")
	b.sees("Chalk")
	b.tap("Pour Chalk")
	b.waitFor(`parseFloat(document.querySelector('[data-live=left]')?.textContent) < 60`)
	b.shoot("05-pouring")
	b.waitStep(s, id, "Verdigris")

	// One slip on a strong toner; the recommended choice puts it right.
	require.NoError(t, s.scale.Over(2*gram.Gram))
	b.tap("Pour Verdigris")
	b.sees("Over by")
	b.shoot("06-over")
	b.tap("Over: how to go on")
	b.sees("Verdigris is")
	b.shoot("07-choices")
	recommended := b.eval(`document.querySelector(".way strong").innerText`)
	b.tapLast(recommended)
	b.liftIfAsked(s, id)
	b.pourEverything(s, id)
	b.shoot("08-stir")
	b.tap("Stirred")
	b.sees("The cup is full and stirred")
	b.shoot("09-full")

	// Draw some off, spray a card, judge it.
	b.tap("Draw some off for a card")
	b.sees("the fall of the reading is what was drawn")
	before := s.state(t, id)
	require.NoError(t, s.scale.Remove(45*gram.Gram))
	b.waitFor(fmt.Sprintf(`document.querySelector('[data-live=reads]')?.textContent === %q`, (before.Last - 45*gram.Gram).Show(100)))
	b.shoot("10-draw")
	b.tap("Drawn off")
	b.sees("drawn for cards")
	b.logCard()

	// Tint what is left, unreduced.
	b.open("/batch/" + id)
	b.tap("Tint")
	b.sees("Paint can only be added")
	_ = b.eval(`(() => { const s = document.querySelector("#toner0"); s.value = [...s.options].find(o => o.text.startsWith("Fern")).value; return "" })()`)
	b.fill("#grams0", "1.5")
	b.shoot("12-tint")
	b.tap("Pour it in")
	b.pourEverything(s, id)
	b.tap("Stirred")
	b.sees("The cup is full and stirred")

	// Two parts of paint to one of hardener by volume, today's share being all of it.
	b.tap("Reduce it")
	b.fill(`input[name="reducer_parts"]`, "0.2")
	b.sees("2 paint : 1 Gloss hardener, steady")
	b.shoot("13-reduce")
	b.tap("Pour it in")
	b.pourEverything(s, id)
	b.tap("Stirred")
	b.sees("Ready to spray")
	b.sees("Isocyanates")
	b.shoot("14-ready")
	b.tap("Finish")
	b.sees("Activated paint cannot be kept")
	b.tap("Finish")
	b.sees("As planned and as poured")
	b.shoot("15-finished")

	// What worked becomes our own variant, and can be mixed again as it was really poured.
	b.tap("Save as our variant")
	b.fill(`[name="alternate"]`, "Ada's")
	b.fill(`[name="reason"]`, "A touch greener to the hatch of Ada")
	b.shoot("16-variant")
	b.tap("Keep our variant")
	b.sees("Ada's")
	b.sees("A touch greener")
	b.shoot("17-variant")
	b.open("/batch/" + id)
	b.tap("Make again as poured")
	b.sees("as it was really poured")
	b.shoot("18-again")

	end := s.state(t, id)
	assert.NotNil(t, end.Finish)
	assertAsPoured(t, end)
}

// assertAsPoured checks the cup's own sums: everything that ever came in is still in, was drawn or was tipped.
func assertAsPoured(t *testing.T, s pour.State) {
	t.Helper()
	var in gram.Mass
	for _, d := range s.Done {
		in += d.Net
	}
	assert.Equal(t, in, s.Contents()+s.Drawn+s.Tipped)
	components, _ := s.Recipe()
	assert.NotEmpty(t, components)
}

// liftIfAsked takes out what is over, where that was the way to go on.
func (b *tab) liftIfAsked(s shop, id string) {
	b.t.Helper()
	b.waitFor(`document.querySelector("#stage")?.dataset.need !== "choice"`)
	if s.state(b.t, id).Need() != pour.NeedLift {
		return
	}
	b.sees("It lies on top")
	b.shoot("07-lift")
	state := s.state(b.t, id)
	b.tap("Take some out")
	b.waitFor(fmt.Sprintf(`document.querySelector("[data-live=reads]")?.textContent === %q`, (state.Last - state.Over.By).Show(state.Plan.Balance.Division)))
	b.tap("It is out")
	b.waitFor(`document.querySelector("#stage")?.dataset.need !== "lift"`)
}

// pourEverything lets the pretend hand pour each toner as its step comes up, until nothing is left to pour.
func (b *tab) pourEverything(s shop, id string) {
	b.t.Helper()
	for range 30 {
		b.waitFor(`document.querySelector("#stage")`)
		state := s.state(b.t, id)
		step, open := state.Open()
		if !open {
			b.waitFor(`document.querySelector("#stage")?.dataset.need !== "pour"`)
			return
		}
		name := state.Component(step.Key).Name
		b.tap("Pour " + name)
		if state.Component(step.Key).Role == formula.Binder && step.Why == "" { // most of the cup is in
			b.waitFor(fmt.Sprintf(`parseFloat(document.querySelector('[data-live=left]')?.textContent) < %f`, step.Aim.Grams()/2))
			b.keepPourScreen(b.shoot("08-pouring"))
		}
		b.waitBooked(s, id, step.No)
	}
	b.t.Fatal("thirty pours and still not done")
}

// waitBooked waits until a step is booked, by itself or, where the hand stopped a little short or over, by a tap.
func (b *tab) waitBooked(s shop, id string, step int) {
	b.t.Helper()
	deadline := time.Now().Add(patience)
	for time.Now().Before(deadline) {
		open, ok := s.state(b.t, id).Open()
		if !ok || open.No != step {
			return
		}
		if !s.scale.Pouring() {
			// On a starved machine a small pour can fall between two readings; then the bench asks what it was.
			_ = b.eval(`document.querySelector(".pouring") && [...document.querySelectorAll("button")].find(e => e.innerText.trim() === "It is " + document.querySelector(".toner h1").innerText && e.offsetParent !== null)?.click()`)
			if b.eval(`document.querySelector("[data-live=grace]")?.hidden === false`) != "true" && b.eval(`document.querySelector("[data-live=go]")?.disabled`) == "false" {
				_ = b.eval(`document.querySelector("[data-live=go]")?.click()`)
			}
		}
		time.Sleep(100 * time.Millisecond)
	}
	b.fail(fmt.Errorf("step %d was not booked", step))
}

func (b *tab) waitStep(s shop, id, name string) {
	b.t.Helper()
	state := s.state(b.t, id)
	if step, ok := state.Open(); ok && state.Component(step.Key).Name != name {
		b.waitBooked(s, id, step.No)
	}
	b.waitFor(fmt.Sprintf(`document.querySelector(".toner h1")?.innerText === %q`, name))
}

// tapLast touches the main button of a screen, which says what will happen.
func (b *tab) tapLast(label string) {
	b.t.Helper()
	b.waitFor(fmt.Sprintf(`document.querySelector(".button.main")?.innerText.trim() === %q`, label))
	_ = b.eval(`document.querySelector(".button.main").click()`)
}

func (s shop) state(t *testing.T, id string) pour.State {
	t.Helper()
	state, err := s.store.State(t.Context(), id)
	require.NoError(t, err)
	return state
}

// keepPourScreen writes the README's picture where POURBOOK_README_SHOT says so; a test run changes nothing by itself.
func (b *tab) keepPourScreen(picture []byte) {
	if os.Getenv("POURBOOK_README_SHOT") == "" {
		return
	}
	require.NoError(b.t, os.WriteFile(filepath.Join("..", "..", "testdata", "screens", "pour.png"), picture, 0o644))
}

// logCard judges the card that was just sprayed: dry, a little too green from the face in daylight, near enough to blend.
func (b *tab) logCard() {
	b.t.Helper()
	b.tap("Log a card")
	b.sees("What was sprayed")
	b.tap("needs no clear")
	b.tap("dry")
	b.tap("Daylight")
	b.shoot("11-verdict")
	b.tap("Decision")
	b.tap("Blend")
	b.shoot("11-decision")
	b.tap("Save card")
	b.waitFor(`location.pathname.startsWith("/card/")`)
	b.sees("Blend")
	b.shoot("11-card")
}
