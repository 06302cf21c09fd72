package store

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/card"
	"pourbook/internal/colour"
)

func TestCardRoundTrip(t *testing.T) {
	now := noon
	s := openBook(t, WithClock(func() time.Time { return now }))
	root, a, _, c := tree(t, s)
	newHand(t, s, "batch", plan(3))
	photo, err := s.SavePhoto(ctx, []byte("\xff\xd8\xff\xe0 a picture"))
	require.NoError(t, err)
	wet := card.Card{
		Batch: "batch", BatchSeq: 1, FormulaID: a.ID, SprayedAt: noon.Add(time.Hour), By: "Ann", Coats: 2, Steps: []card.Step{{MidCoats: 1, Word: "thin"}, {MidCoats: 2, Chosen: true}},
		Gun: "1.3", Pressure: "2 bar", Distance: "20 cm", Reduction: "2 : 1", Undercoat: "grey 4", Cleared: true, Size: "10 x 15", Notes: "Sunny.", Photo: photo,
		Readings: []card.Measured{{Geometry: "15", Lab: colour.Lab{L: 131.2, A: -3, B: 4.5}, Illuminant: "D65", Observer: "10"}},
	}
	kept, err := s.SaveCard(ctx, wet, "Ann")
	require.NoError(t, err)
	want := wet
	want.ID, want.Number = kept.ID, 1
	assert.Equal(t, want, kept)

	now = noon.Add(2 * time.Hour)
	dry := kept
	dry.Dry, dry.FormulaID, dry.Number = true, root.ID, 9 // neither can be changed
	dry.Verdicts = []card.Verdict{{Light: card.Daylight, Side: card.Face, Off: [5]int{0, 1, 0, 0, -3}}}
	dry.Decision, dry.DecidedAt = card.Blend, now
	saved, err := s.SaveCard(ctx, dry, "Bo")
	require.NoError(t, err)
	dry.FormulaID, dry.Number = a.ID, 1
	assert.Equal(t, dry, saved)
	read, err := s.Card(ctx, kept.ID)
	require.NoError(t, err)
	assert.Equal(t, dry, read)

	history, err := s.CardHistory(ctx, kept.ID)
	require.NoError(t, err)
	assert.Equal(t, []CardSave{{At: noon, By: "Ann", Card: want}, {At: now, By: "Bo", Card: dry}}, history)

	other, err := s.SaveCard(ctx, card.Card{FormulaID: c.ID, By: "Bo"}, "Bo")
	require.NoError(t, err)
	assert.Equal(t, 2, other.Number, "numbers count through the whole family")
	assert.Equal(t, now, other.SprayedAt)
	for _, of := range []int64{root.ID, a.ID, c.ID} {
		wall, err := s.Wall(ctx, of)
		require.NoError(t, err)
		assert.Equal(t, []card.Card{other, dry}, wall)
	}
	ofBatch, err := s.CardsOf(ctx, "batch")
	require.NoError(t, err)
	assert.Equal(t, []card.Card{dry}, ofBatch)
	newest, err := s.Cards(ctx, 1, 0)
	require.NoError(t, err)
	assert.Equal(t, []card.Card{other}, newest)

	for _, query := range []string{`DELETE FROM card`, `UPDATE card SET number = 7`, `UPDATE card_save SET body = '{}'`, `DELETE FROM card_save`} {
		assert.Error(t, s.update(ctx, "tamper", func(t *tx) error { return t.exec(query) }), query)
	}
}

func TestBadCards(t *testing.T) {
	s := openBook(t)
	f, _ := gate(t, s)
	_, err := s.SaveCard(ctx, card.Card{}, strings.Repeat("x", 201))
	assert.Equal(t, []string{"formula", "by"}, problems(t, err))
	for name, spoil := range map[string]func(*card.Card){ // card.Check says more; here it is only asked
		"coats":    func(c *card.Card) { c.Coats = -1 },
		"decision": func(c *card.Card) { c.Decision = "maybe" },
		"steps":    func(c *card.Card) { c.Steps = []card.Step{{MidCoats: 5}} },
		"verdict":  func(c *card.Card) { c.Verdicts = []card.Verdict{{Light: card.Tube, Side: card.Flop, Off: [5]int{4}}} },
		"reading":  func(c *card.Card) { c.Readings = []card.Measured{{Geometry: "45/0", Lab: colour.Lab{L: math.NaN()}}} },
		"notes":    func(c *card.Card) { c.Notes = "\x00" },
	} {
		c := card.Card{FormulaID: f.ID}
		spoil(&c)
		_, err := s.SaveCard(ctx, c, "Ann")
		assert.Len(t, problems(t, err), 1, name)
	}
	for _, c := range []card.Card{{FormulaID: 99}, {ID: 99, FormulaID: f.ID}, {FormulaID: f.ID, Batch: "nowhere"}, {FormulaID: f.ID, RevisionID: 99}, {FormulaID: f.ID, Photo: 99}} {
		_, err := s.SaveCard(ctx, c, "Ann")
		require.ErrorIs(t, err, ErrNotFound, "%+v", c)
		assert.NotEmpty(t, Sentence(err))
	}
	for _, err := range []error{second(s.Card(ctx, 99)), second(s.CardHistory(ctx, 99)), second(s.Photo(ctx, 99))} {
		require.ErrorIs(t, err, ErrNotFound)
	}
	wall, err := s.Wall(ctx, f.ID)
	require.NoError(t, err)
	assert.Empty(t, wall)
}

func TestPhotos(t *testing.T) {
	s := openBook(t, WithClock(func() time.Time { return noon }))
	largest := append([]byte("\x89PNG\r\n\x1a\n"), make([]byte, PhotoMost-8)...)
	for mime, data := range map[string][]byte{"image/jpeg": []byte("\xff\xd8\xff\xdb"), "image/png": largest, "image/webp": []byte("RIFF\x10\x00\x00\x00WEBPVP8 ")} {
		id, err := s.SavePhoto(ctx, data)
		require.NoError(t, err)
		photo, err := s.Photo(ctx, id)
		require.NoError(t, err)
		assert.Equal(t, mime, photo.Mime)
		assert.Equal(t, noon, photo.At)
		assert.True(t, string(data) == string(photo.Bytes), "the bytes of %s changed", mime)
	}
	for _, data := range [][]byte{nil, append(largest, 0), []byte("<svg onload='alert(1)'/>"), []byte("GIF89a"), []byte("RIFF")} {
		_, err := s.SavePhoto(ctx, data)
		require.ErrorIs(t, err, ErrInvalid)
		assert.NotEmpty(t, Sentence(err))
	}
}
