package web

import (
	"net/http"
	"strings"

	"pourbook/internal/bench"
	"pourbook/internal/formula"
	"pourbook/internal/pour"
	"pourbook/web/page"
)

// foundBody reads the answer to a question about the reading. Its grams are the bench's.
func (s *server) foundBody(r *http.Request) (pour.Body, error) {
	f := pour.Found{Cause: pour.Cause(r.PostForm.Get("cause"))}
	if f.Cause != pour.CauseCup {
		return f, nil
	}
	settings, err := s.Store.Settings(r.Context())
	if err != nil {
		return nil, err
	}
	for _, c := range settings.Cups {
		if c.Name == r.PostForm.Get("cup") {
			f.Cup = &c
		}
	}
	if text := strings.TrimSpace(r.PostForm.Get("clings")); text != "" {
		if f.Lost, err = formula.ParseMass(text); err != nil {
			return nil, badRequest("%s", err)
		}
	}
	return f, nil
}

// explained takes the answers that book nothing: that it is the toner, and that the cup is back. Only who pours may say so.
func (s *server) explained(r *http.Request, batch string, t bench.Tap) (bool, error) {
	f, ok := t.Body.(pour.Found)
	if !ok || f.Cause != bench.CausePaint && f.Cause != bench.CauseBack {
		return false, nil
	}
	state, err := s.Store.State(r.Context(), batch)
	if err != nil {
		return false, err
	}
	if state.Holder != t.Device || state.Epoch != t.Epoch {
		return false, &pour.Refusal{Reason: pour.NotHolder, Sentence: orTablet(state.Name) + " is pouring this cup. Take over first."}
	}
	if !s.Bench.Explain(batch, t.Asked, f.Cause) {
		return false, &pour.Refusal{Reason: pour.Stale, Sentence: "That has changed meanwhile. Look at the scale again."}
	}
	return true, nil
}

func (s *server) afterExplaining(w http.ResponseWriter, r *http.Request, batch string, err error) error {
	if err != nil {
		return err
	}
	state, err := s.Store.State(r.Context(), batch)
	if err != nil {
		return err
	}
	return s.back(w, r, state)
}

// clingsUsually is what stays in a cup that was poured out, in grams. Common practice, no source.
const clingsUsually = "4.0"

// movedForm asks which cup the paint is in now, and what clings to the old one.
func (s *server) movedForm(w http.ResponseWriter, r *http.Request) error {
	state, err := s.cup(r)
	if err != nil {
		return err
	}
	settings, err := s.Store.Settings(r.Context())
	if err != nil {
		return err
	}
	v := page.MovedCup{Aside: s.aside(r, state, "Which cup is it in now?"), Question: r.FormValue("asked"), Clings: clingsUsually}
	for i, c := range settings.Cups {
		v.Cups = append(v.Cups, page.CupChoice{Value: c.Name, Name: c.Name, Chosen: i == 0 || c.Name == state.Cup.Name})
	}
	return render(w, r, http.StatusOK, page.MovedCupPage(v))
}

// askView puts a question on the screen.
func askView(a *bench.Ask) *page.Ask {
	if a == nil {
		return nil
	}
	v := &page.Ask{No: a.No, Say: a.Say}
	for _, answer := range a.Answers {
		v.Answers = append(v.Answers, page.AskAnswer{Cause: string(answer.Cause), Label: answer.Label})
	}
	return v
}

// causeWords says in a batch's record why the cup was found other than it was.
func causeWords(s pour.State, b pour.Found) string {
	by := show(s, (b.Reading-b.Before).Abs()) + " g"
	switch b.Cause {
	case pour.CauseDisplay:
		return "The display moved from " + show(s, b.Before) + " to " + show(s, b.Reading) + ", the cup is as it was"
	case pour.CauseObject:
		if b.Reading < b.Before {
			return "A stick or a lid of " + by + " came out"
		}
		return "A stick or a lid of " + by + " is in the cup"
	case pour.CauseSolvent:
		return by + " of solvent had gone off"
	case pour.CauseTaken:
		return by + " were taken out or spilt"
	}
	return "It is in another cup (" + b.Cup.Name + "), " + show(s, b.Lost) + " g cling to the old one"
}
