package main

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/scale"
	"pourbook/internal/store"
)

const tenth = 100 * gram.Milligram

// scaleShop is a book with eightToners at a pretend scale with a sure hand, in a faster world.
type scaleShop struct {
	typedShop
	device *scale.Pretend
	stop   func() // everything: server, scale and book
}

// openAtScale serves a book that is in a file already, with a new scale.
func openAtScale(t *testing.T, path string, formulaID int64) scaleShop {
	t.Helper()
	book, err := store.Open(path)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, book.Close()) })
	device, err := scale.NewPretend(scale.PretendSetup{Balance: gram.Balance{Division: tenth, Max: 7500 * gram.Gram}, Hand: scale.Sure(), Speed: 60})
	require.NoError(t, err)
	server := startServing(t, book, device)
	return scaleShop{typedShop{t, book, formulaID, server.url}, device, func() {
		server.stop()
		require.NoError(t, book.Close())
	}}
}

// reads waits until the screen shows a settled reading, and returns its serial as a tap names it.
func (s scaleShop) reads(view *screen, mass gram.Mass) string {
	s.t.Helper()
	var serial string
	waitUntil(s.t, "the display stands at "+mass.Show(tenth), func() bool {
		l := view.live()
		serial = fmt.Sprint(l.Serial)
		return l.Serial > 0 && !l.Moving && !l.Lost && l.Reads == mass.Show(tenth)
	})
	return serial
}

// pours pours the open step to its stop and waits until the bench accepts it by itself.
func (s scaleShop) pours(batch string) {
	s.t.Helper()
	before := s.state(batch)
	step, ok := before.Open()
	require.True(s.t, ok)
	known := before.Last
	if before.Held != nil {
		known = *before.Held
	}
	require.NoError(s.t, s.device.Pour(before.Last+step.Aim-known))
	waitUntil(s.t, "the pour is accepted", func() bool { return s.state(batch).Decided > before.Decided })
}

// TestRestartInMidPour switches everything off with half a toner in the cup, on, and puts the cup back on a scale that
// has been zeroed under it. The cup is the same to the milligram, and the rest of the batch comes out right.
func TestRestartInMidPour(t *testing.T) {
	for _, zeroed := range []bool{true, false} {
		t.Run(fmt.Sprintf("zeroed=%t", zeroed), func(t *testing.T) {
			path, formulaID := eightBook(t)
			s := openAtScale(t, path, formulaID)
			c := newClient(t, s.url)
			batch := c.mix(formulaID, false)
			view := c.follow(batch)
			require.NoError(t, s.device.Place(eightCup*gram.Gram))
			serial := s.reads(view, eightCup*gram.Gram)
			require.Equal(t, http.StatusOK, c.tap(s.state(batch), url.Values{"action": {"cup"}, "cup": {"1400 ml cup"}, "serial": {serial}}).Status)
			s.pours(batch)
			s.pours(batch)
			require.NoError(t, s.device.Pour(33*gram.Gram)) // of 80 g
			waitUntil(t, "the half pour is kept as held", func() bool {
				held := s.state(batch).Held
				return held != nil && !s.device.Pouring() && *held == s.device.True().Round(tenth)
			})
			before, inCup := s.state(batch), s.device.True()
			require.Len(t, before.Todo, 6)
			view.close()
			s.stop()

			s = openAtScale(t, path, formulaID)
			c.moveTo(s.url)
			after := s.state(batch)
			assert.Equal(t, before, after, "the same cup, to the milligram")
			require.NoError(t, s.device.Place(inCup)) // the cup goes back on
			shows := inCup
			if zeroed {
				s.device.Zero()
				shows = 0
			}
			view = c.follow(batch)
			page, err := c.http.Get(s.url + "/batch/" + batch) // opening the screen brings the batch to the bench
			require.NoError(t, err)
			require.NoError(t, page.Body.Close())
			require.Equal(t, http.StatusOK, page.StatusCode)
			serial = s.reads(view, shows.Round(tenth))
			assert.Equal(t, after.Seq, s.state(batch).Seq, "nothing is booked by itself")
			if zeroed {
				said := c.tap(s.state(batch), url.Values{"action": {"rezeroed"}, "serial": {serial}})
				require.Equal(t, http.StatusOK, said.Status, "%+v", said)
			}
			again := s.state(batch)
			assert.Equal(t, before.In, again.In, "a shift of the display books nothing")
			assert.Equal(t, before.Last-before.CupReading, again.Last-again.CupReading)
			require.NotNil(t, again.Held)
			assert.Equal(t, *before.Held-before.Last, *again.Held-again.Last, "what came in of the open step")
			assert.Equal(t, shows.Round(tenth), *again.Held)

			step, ok := again.Open()
			require.True(t, ok)
			rest := again.Stop() - *again.Held
			require.NoError(t, s.device.Pour(rest))
			waitUntil(t, "the hand is done", func() bool { return !s.device.Pouring() })
			serial = s.reads(view, s.display(zeroed, inCup))
			said := c.tap(s.state(batch), url.Values{"action": {"pour"}, "step": {strconv.Itoa(step.No)}, "attempt": {"1"}, "serial": {serial}})
			require.Equal(t, http.StatusOK, said.Status, "the first pour after a restart is confirmed by hand: %+v", said)
			for len(s.state(batch).Todo) > 0 {
				s.pours(batch)
			}
			full := s.state(batch)
			for i, m := range full.In {
				assert.InDelta(t, eightGrams[i], m.Grams(), 0.25, "%s", full.Components[i].Name)
			}
			assert.InDelta(t, (s.device.True() - eightCup*gram.Gram).Grams(), full.Contents().Grams(), 0.15, "what is in the cup")
			require.Equal(t, http.StatusOK, c.tap(full, url.Values{"action": {"stirred"}}).Status)
			require.Equal(t, http.StatusOK, c.tap(s.state(batch), url.Values{"action": {"finish"}}).Status)
			folded, err := pour.Fold(s.events(batch))
			require.NoError(t, err)
			assert.Equal(t, s.state(batch), folded)
			assertOnePourEach(t, s.events(batch))
		})
	}
}

// display is what the scale shows at rest.
func (s scaleShop) display(zeroed bool, tare gram.Mass) gram.Mass {
	if zeroed {
		return (s.device.True() - tare).Round(tenth)
	}
	return s.device.True().Round(tenth)
}

// A tap names a reading by its number. One that was on its way when the server stopped must not meet a reading of the
// next server that happens to have the same number.
func TestReadingsOfAnotherRunAreNotNamed(t *testing.T) {
	path, formulaID := eightBook(t)
	s := openAtScale(t, path, formulaID)
	c := newClient(t, s.url)
	batch := c.mix(formulaID, false)
	view := c.follow(batch)
	require.NoError(t, s.device.Place(eightCup*gram.Gram))
	waitUntil(t, "a reading", func() bool { return view.live().Serial > 0 })
	began := view.live().Serial
	waitUntil(t, "so many readings that the next run's display has long settled at this number", func() bool { return view.live().Serial > began+200 })
	serial := s.reads(view, eightCup*gram.Gram)
	cup := seen(s.state(batch), url.Values{"action": {"cup"}, "cup": {"1400 ml cup"}, "serial": {serial}})
	number, err := strconv.ParseUint(serial, 10, 64)
	require.NoError(t, err)
	view.close()
	s.stop() // the tap is still in the tablet

	s = openAtScale(t, path, formulaID)
	c.moveTo(s.url)
	require.NoError(t, s.device.Place(700*gram.Gram)) // another cup, and paint in it
	view = c.follow(batch)
	page, err := c.http.Get(s.url + "/batch/" + batch)
	require.NoError(t, err)
	require.NoError(t, page.Body.Close())
	s.reads(view, 700*gram.Gram)
	again := view.live().Serial
	waitUntil(t, "more readings than before", func() bool { return view.live().Serial > again+(number-began)+200 })
	said := c.must("/batch/"+batch+"/tap", cup)
	assert.Equal(t, http.StatusConflict, said.Status, "%+v", said)
	assert.Equal(t, pour.NeedCup, s.state(batch).Need(), "the reading of 700 g was never named")
}
