package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/go-chi/chi/v5"

	"pourbook/internal/card"
	"pourbook/internal/formula"
	"pourbook/internal/pour"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// cardRoutes lists the addresses of spray-out cards: from the cup to the wall.
func (s *server) cardRoutes(r chi.Router) {
	r.Get("/batch/{batch}/card", s.page(s.cardNew))
	r.Post("/batch/{batch}/card", s.page(s.cardCreate))
	r.Get("/card/{id}", s.page(s.cardPage))
	r.Get("/card/{id}/edit", s.page(s.cardEdit))
	r.Post("/card/{id}/edit", s.page(s.cardSave))
	r.Get("/card/{id}/photo", s.page(s.cardPhoto))
	r.Get("/card/{id}/variant", s.page(s.cardVariant))
	r.Get("/cards", s.page(s.cardRoom))
	r.Get("/cards/{formula}", s.page(s.cardWall))
}

// carded is what a card form is about: a new card of a batch, or a card that is there.
type carded struct {
	card     card.Card
	formula  formula.Formula
	plan     pour.Planned
	drawings []cardDraw
	action   string
	back     string
	title    string
	sub      string
	submit   string
	gunNote  string
}

// cardDraw is paint that was taken out of a cup for a card: how far the batch was, and in words.
type cardDraw struct {
	seq   int
	words string
}

func (s *server) newCarded(r *http.Request) (carded, error) {
	state, err := s.cup(r)
	if err != nil {
		return carded{}, err
	}
	if len(state.Done) == 0 {
		return carded{}, &fault{status: http.StatusConflict, sentence: "Nothing has been poured into this cup yet.", next: "Pour it first; a card is sprayed from what is in it."}
	}
	href := "/batch/" + url.PathEscape(state.Batch)
	k := carded{plan: state.Plan, action: href + "/card", back: href, title: state.Plan.Title, sub: joined(" · ", "a new card", state.Plan.Job), submit: "Save card"}
	if k.formula, err = s.Store.Formula(r.Context(), state.Plan.FormulaID); errors.Is(err, store.ErrNotFound) {
		return k, &fault{status: http.StatusConflict, sentence: "This batch is of no formula of the book, so there is no wall for its cards.", next: "Keep the batch as our variant first.", cause: err}
	} else if err != nil {
		return k, err
	}
	k.card = card.Card{Batch: state.Batch, BatchSeq: state.Seq, FormulaID: state.Plan.FormulaID, RevisionID: state.Plan.RevisionID, By: visitorOf(r).Person}
	k.drawings, err = s.drawings(r.Context(), state)
	if n := len(k.drawings); n > 0 {
		k.card.BatchSeq = k.drawings[n-1].seq
	}
	return k, err
}

// drawings lists what was drawn off a batch, in order, without what was taken back.
func (s *server) drawings(ctx context.Context, state pour.State) ([]cardDraw, error) {
	events, err := s.Store.Events(ctx, state.Batch)
	if err != nil {
		return nil, err
	}
	undone := map[string]bool{}
	for _, e := range events {
		if b, ok := e.Body.(pour.TakenBack); ok {
			undone[b.Event] = true
		}
	}
	var all []cardDraw
	for _, e := range events {
		if b, ok := e.Body.(pour.Drawn); ok && !undone[e.ID] {
			all = append(all, cardDraw{e.Seq, show(state, b.Mass) + " g at " + e.At.In(s.Now().Location()).Format("15:04")})
		}
	}
	return all, nil
}

// cardNew asks for a card of a batch. What stays the same from card to card is filled in from the last one.
func (s *server) cardNew(w http.ResponseWriter, r *http.Request) error {
	k, err := s.newCarded(r)
	if err != nil {
		return err
	}
	if r.FormValue("part") == "readings" {
		return s.cardResults(w, r, k)
	}
	wall, err := s.Store.Wall(r.Context(), k.formula.ID)
	if err != nil {
		return err
	}
	c := k.card
	if len(wall) > 0 {
		last := wall[0]
		k.gunNote = "Filled in from card " + strconv.Itoa(last.Number) + ". "
		c.Gun, c.Pressure, c.Distance, c.Reduction, c.Undercoat, c.Size, c.Coats = last.Gun, last.Pressure, last.Distance, last.Reduction, last.Undercoat, last.Size, last.Coats
	}
	if k.plan.Reduction != nil {
		c.Reduction = pour.RatioText(*k.plan.Reduction)
	}
	form := cardFormOf(c)
	form.values["opened"] = strconv.FormatInt(s.Now().UnixMilli(), 10)
	return s.showCardForm(w, r, http.StatusOK, k, form, entryProblems{})
}

func (s *server) cardCreate(w http.ResponseWriter, r *http.Request) error {
	form, err := readCard(r)
	if err != nil {
		return err
	}
	k, err := s.newCarded(r)
	if err != nil {
		return err
	}
	k.card.SprayedAt = form.openedAt(s.Now())
	for _, d := range k.drawings {
		if form.get("seq") == strconv.Itoa(d.seq) {
			k.card.BatchSeq = d.seq
		}
	}
	before, err := s.Store.CardsOf(r.Context(), k.card.Batch)
	if err != nil {
		return err
	}
	for _, b := range before { // the same form sent twice is one card
		if b.SprayedAt.Equal(k.card.SprayedAt) && form.get("opened") != "" {
			http.Redirect(w, r, cardHref(b.ID)+"#saved", http.StatusSeeOther)
			return nil
		}
	}
	return s.keepCard(w, r, k, form)
}

func (s *server) oldCarded(r *http.Request) (carded, error) {
	id, err := pathID(r, "id")
	if err != nil {
		return carded{}, notFound("card")
	}
	k := carded{submit: "Save card"}
	if k.card, err = s.Store.Card(r.Context(), id); err != nil {
		return k, err
	}
	if k.formula, err = s.Store.Formula(r.Context(), k.card.FormulaID); err != nil {
		return k, err
	}
	k.action, k.back = cardHref(id)+"/edit", cardHref(id)
	k.title, k.sub = k.formula.Title(), "card "+strconv.Itoa(k.card.Number)
	if k.card.Batch != "" {
		state, err := s.Store.State(r.Context(), k.card.Batch)
		if err != nil {
			return k, err
		}
		k.drawings, err = s.drawings(r.Context(), state)
		return k, err
	}
	return k, nil
}

func (s *server) cardEdit(w http.ResponseWriter, r *http.Request) error {
	k, err := s.oldCarded(r)
	if err != nil {
		return err
	}
	if r.FormValue("part") == "readings" {
		return s.cardResults(w, r, k)
	}
	return s.showCardForm(w, r, http.StatusOK, k, cardFormOf(k.card), entryProblems{})
}

func (s *server) cardSave(w http.ResponseWriter, r *http.Request) error {
	form, err := readCard(r)
	if err != nil {
		return err
	}
	k, err := s.oldCarded(r)
	if err != nil {
		return err
	}
	for _, d := range k.drawings {
		if form.get("seq") == strconv.Itoa(d.seq) {
			k.card.BatchSeq = d.seq
		}
	}
	return s.keepCard(w, r, k, form)
}

// keepCard checks a form and keeps it, or returns it with what is wrong beside each field. A sound photograph is kept
// even then: no browser lets a page fill it in again.
func (s *server) keepCard(w http.ResponseWriter, r *http.Request, k carded, form cardForm) error {
	problems := entryProblems{}
	c := form.card(k.card, tricoat(k.formula), problems)
	var err error
	if c.Photo, err = s.photoOf(r, k.card.Photo, form, problems); err != nil {
		return err
	}
	if form.get("do") == "look" {
		return s.showCardForm(w, r, http.StatusOK, k, form, problems)
	}
	if len(problems) > 0 {
		return s.showCardForm(w, r, http.StatusUnprocessableEntity, k, form, problems)
	}
	switch {
	case c.Decision == card.Open:
		c.DecidedAt = time.Time{}
	case c.Decision != k.card.Decision:
		c.DecidedAt = s.Now()
	}
	saved, err := s.Store.SaveCard(r.Context(), c, visitorOf(r).Person)
	if problems.takeError(err) {
		return s.showCardForm(w, r, http.StatusUnprocessableEntity, k, form, problems)
	}
	if err != nil {
		return err
	}
	http.Redirect(w, r, cardHref(saved.ID)+"#saved", http.StatusSeeOther)
	return nil
}

// photoOf returns the photograph that a card is to have: the one that was just sent, the one it had, or none.
func (s *server) photoOf(r *http.Request, had int64, form cardForm, problems entryProblems) (int64, error) {
	data, sentence, err := sentPhoto(r)
	if err != nil {
		return 0, err
	}
	if sentence != "" {
		problems.add("photo", sentence)
	}
	if data != nil {
		id, err := s.Store.SavePhoto(r.Context(), data)
		form.values["kept_photo"] = strconv.FormatInt(id, 10)
		return id, err
	}
	if form.get("photo_off") == "yes" {
		form.values["kept_photo"] = ""
		return 0, nil
	}
	id, err := strconv.ParseInt(form.get("kept_photo"), 10, 64)
	if err != nil || id == had {
		return had, nil
	}
	if _, err := s.Store.Photo(r.Context(), id); errors.Is(err, store.ErrNotFound) {
		form.values["kept_photo"] = ""
		return had, nil
	} else if err != nil {
		return 0, err
	}
	return id, nil
}

func (s *server) cardResults(w http.ResponseWriter, r *http.Request, k carded) error {
	form, err := readCard(r)
	if err != nil {
		return err
	}
	return render(w, r, http.StatusOK, page.CardResults(form.results(k.formula.Target)))
}

func (s *server) showCardForm(w http.ResponseWriter, r *http.Request, status int, k carded, form cardForm, problems entryProblems) error {
	v := page.CardForm{
		Chrome: s.cardChrome(r, k.title), Back: k.back, BackLabel: "Back without saving", Title: k.title, Sub: k.sub,
		Heading: joined(" ", "A card of", k.title), Action: k.action, Submit: k.submit,
		GunNote: k.gunNote + "A card sprayed in another way than the car does not speak for it.",
	}
	v.AtBench = true
	if status == http.StatusOK && r.Method == http.MethodGet {
		v.Draft = k.action
	}
	if k.card.Photo != 0 && form.get("kept_photo") == strconv.FormatInt(k.card.Photo, 10) {
		v.PhotoSrc = photoHref(k.card)
	}
	if len(k.drawings) > 1 {
		v.Drawings = page.Pick{Name: "seq", Label: "Sprayed from"}
		for _, d := range k.drawings {
			value := strconv.Itoa(d.seq)
			v.Drawings.Options = append(v.Drawings.Options, page.PickOption{Value: value, Label: d.words, Chosen: form.get("seq") == value})
		}
	}
	return render(w, r, status, page.CardFormPage(cardFormView(v, k.formula, form, problems)))
}

func (s *server) cardChrome(r *http.Request, title string) page.Chrome {
	c := s.chrome(r, title, page.RoomCards)
	c.Scripts = append(c.Scripts, assetURL("js/card.js"))
	return c
}

// cardOf returns the card that an address names.
func (s *server) cardOf(r *http.Request) (card.Card, error) {
	id, err := pathID(r, "id")
	if err != nil {
		return card.Card{}, notFound("card")
	}
	return s.Store.Card(r.Context(), id)
}

// cardPhoto sends a photograph. An address that names it never shows another, so it may be kept for ever.
func (s *server) cardPhoto(w http.ResponseWriter, r *http.Request) error {
	c, err := s.cardOf(r)
	if err != nil {
		return err
	}
	if c.Photo == 0 {
		return notFound("photo of this card")
	}
	p, err := s.Store.Photo(r.Context(), c.Photo)
	if err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Type", p.Mime)
	h.Set("Content-Length", strconv.Itoa(len(p.Bytes)))
	h.Set("X-Content-Type-Options", "nosniff")
	if r.URL.Query().Get("v") == strconv.FormatInt(c.Photo, 10) {
		h.Set("Cache-Control", "private, max-age=31536000, immutable")
	} else {
		h.Set("Cache-Control", "no-cache")
	}
	_, _ = w.Write(p.Bytes) // it fails where the browser went away
	return nil
}

func cardHref(id int64) string { return "/card/" + strconv.FormatInt(id, 10) }

func photoHref(c card.Card) string {
	return cardHref(c.ID) + "/photo?v=" + strconv.FormatInt(c.Photo, 10)
}
