package web

import (
	"net/http"
	"strconv"
	"strings"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// aside is the frame of the small screens that stand beside a cup: one question each.
func (s *server) aside(r *http.Request, state pour.State, title string) page.Aside {
	c := s.benchChrome(r, title)
	return page.Aside{
		Chrome: c, Batch: state.Batch, Title: state.Plan.Title, Asked: state.Plan.Asked, Seen: state.Decided, Epoch: state.Epoch,
		Typed: state.Plan.Typed, Holder: state.Holder == visitorOf(r).Device, Live: liveView(state, s.Bench.Look(state.Batch)), Heading: title,
	}
}

// otherForm lists what is rarely needed at this point of the cup.
func (s *server) otherForm(w http.ResponseWriter, r *http.Request) error {
	state, err := s.cup(r)
	if err != nil {
		return err
	}
	v := page.Other{Aside: s.aside(r, state, "Something else")}
	if step, ok := state.Open(); ok {
		v.Open, v.Step, v.Attempt = state.Component(step.Key).Name, step.No, state.Attempt(step.No)
	}
	if last, ok := state.LastUndoable(); ok {
		v.UndoEvent, v.Undo = last.ID, undoWords(state, last)
	}
	if n := len(state.Done); n > 0 && len(state.Layers) > 0 && !state.Layers[len(state.Layers)-1].Mixed {
		v.LastPour = state.Component(state.Done[n-1].Step.Key).Name
	}
	v.Placed = state.Placed
	return render(w, r, http.StatusOK, page.OtherPage(v))
}

// wrongForm asks which toner the last pour really was.
func (s *server) wrongForm(w http.ResponseWriter, r *http.Request) error {
	state, err := s.cup(r)
	if err != nil {
		return err
	}
	toners, err := s.Store.Toners(r.Context(), store.TonerFilter{System: state.Plan.System})
	if err != nil {
		return err
	}
	v := page.Wrong{Aside: s.aside(r, state, "Which toner was it really?")}
	var meant pour.Key
	if n := len(state.Done); n > 0 {
		meant = state.Done[n-1].Step.Key
		v.Meant = state.Component(meant).Name
	}
	for _, t := range toners {
		if pour.TonerKey(t.ID) == meant || t.Kind == formula.Hardener || t.Kind == formula.Reducer {
			continue
		}
		choice := page.TonerChoice{ID: strconv.FormatInt(t.ID, 10), Name: t.Name, Swatch: t.Swatch}
		if state.Index(pour.TonerKey(t.ID)) >= 0 {
			v.Formula = append(v.Formula, choice)
		} else {
			v.Others = append(v.Others, choice)
		}
	}
	return render(w, r, http.StatusOK, page.WrongPage(v))
}

// drawForm shows how to take some off for a card, and what its reduction weighs.
func (s *server) drawForm(w http.ResponseWriter, r *http.Request) error {
	state, err := s.cup(r)
	if err != nil {
		return err
	}
	v := page.Draw{Aside: s.aside(r, state, "Draw some off for a card")}
	v.Reading = show(state, state.Last)
	for _, grams := range []gram.Mass{30 * gram.Gram, 45 * gram.Gram, 60 * gram.Gram} { // common practice, no source
		if grams*2 < state.Contents() || grams == 30*gram.Gram {
			v.Amounts = append(v.Amounts, page.DrawAmount{Grams: show(state, grams), Reading: show(state, state.Last-grams), Parts: cardReduction(state, grams)})
		}
	}
	return render(w, r, http.StatusOK, page.DrawPage(v))
}

// cardReduction says what goes into the small cup with that much paint.
func cardReduction(state pour.State, grams gram.Mass) string {
	if state.Plan.Reduction == nil {
		return ""
	}
	_, rows, err := pour.PlanReduction(state, pour.ReductionRequest{
		Ratio: state.Plan.Reduction, Portion: &gram.Amount{Value: grams.Grams(), Unit: gram.UnitGram},
	})
	if err != nil {
		return ""
	}
	var parts []string
	for _, row := range rows[1:] {
		parts = append(parts, row.Name+" "+show(state, row.Mass)+" g")
	}
	return strings.Join(parts, ", ")
}

// finishForm asks what is kept.
func (s *server) finishForm(w http.ResponseWriter, r *http.Request) error {
	state, err := s.cup(r)
	if err != nil {
		return err
	}
	v := page.Finish{Aside: s.aside(r, state, "Finish this batch"), Activated: !state.ActivatedAt.IsZero()}
	v.Left = show(state, state.Contents())
	switch {
	case state.Reduced == nil:
		v.Kept = v.Left
	case state.Reduced.NewCup:
		v.Kept = show(state, state.Left)
	}
	return render(w, r, http.StatusOK, page.FinishPage(v))
}

// giveUpForm asks before a cup is thrown away.
func (s *server) giveUpForm(w http.ResponseWriter, r *http.Request) error {
	state, err := s.cup(r)
	if err != nil {
		return err
	}
	v := page.GiveUp{Aside: s.aside(r, state, "Give this cup up?"), Contents: show(state, state.Contents()+state.Left)}
	return render(w, r, http.StatusOK, page.GiveUpPage(v))
}
