package web

import (
	"fmt"
	"math"
	"net/http"
	"strconv"
	"time"

	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/web/page"
)

func (s *server) endedView(r *http.Request, state pour.State, p *page.Pour) error {
	e := page.Ended{
		Again:       "/mix/" + strconv.FormatInt(state.Plan.FormulaID, 10) + "?from=" + state.Batch + "&",
		FormulaHref: "/formula/" + strconv.FormatInt(state.Plan.FormulaID, 10) + "?rev=" + strconv.FormatInt(state.Plan.RevisionID, 10),
		Finished:    state.Finish != nil, Heading: "Finished", Sub: "Poured by " + orTablet(state.StartedBy) + ", " + state.EndedAt.In(s.Now().Location()).Format("2 January 2006, 15:04"),
	}
	if state.GivenUp != nil {
		e.Heading = "Given up: " + state.GivenUp.Why
		e.Thrown = show(state, state.GivenUp.Discarded)
		e.Sub = e.Thrown + " g thrown away. " + e.Sub
	} else if state.Finish.Kept > 0 {
		e.Sub = show(state, state.Finish.Kept) + " g kept. " + e.Sub
	}
	e.Rows, e.Total = pouredRows(state)
	events, err := s.Store.Events(r.Context(), state.Batch)
	if err != nil {
		return err
	}
	e.Log = logView(state, events, s.Now().Location())
	if e.Checked, err = s.checkedWords(r.Context(), state); err != nil {
		return err
	}
	p.Ended = e
	return s.hubCards(r, state, p)
}

// pouredRows puts what was planned beside what went in, and how far the mixed colour is from the formula.
func pouredRows(state pour.State) ([]page.PouredRow, string) {
	var sum, ever gram.Mass
	components, mixed := state.Recipe()
	for _, m := range mixed {
		sum += m
	}
	rows := make([]page.PouredRow, 0, len(components))
	for i, c := range components {
		poured := state.Ever[state.Index(c.Key)]
		ever += poured
		share := float64(mixed[i]) / float64(sum)
		row := page.PouredRow{
			Swatch: c.Swatch, Name: c.Name, Planned: plannedGoal(state, c.Key), Poured: show(state, poured),
			Share: fmt.Sprintf("%.2f %%", 100*share), Off: "not in the formula",
		}
		if want := goalShare(state, c.Key); want > 0 {
			row.Off = signed((share/want-1)*100) + " %"
		}
		rows = append(rows, row)
	}
	return rows, show(state, ever)
}

// signed writes a number to one decimal with a true minus sign, and a zero without any.
func signed(v float64) string {
	switch text := fmt.Sprintf("%.1f", math.Abs(v)); {
	case text == "0.0":
		return text
	case v < 0:
		return "−" + text
	default:
		return "+" + text
	}
}

func plannedGoal(s pour.State, k pour.Key) string {
	for _, c := range s.Plan.Components {
		if c.Key == k {
			return show(s, c.Goal)
		}
	}
	return "–"
}

func goalShare(s pour.State, k pour.Key) float64 {
	for _, c := range s.Plan.Components {
		if c.Key == k && s.Plan.Total > 0 {
			return float64(c.Goal) / float64(s.Plan.Total)
		}
	}
	return 0
}

func logView(s pour.State, events []pour.Event, zone *time.Location) []page.LogLine {
	undone := map[string]bool{}
	for _, e := range events {
		if b, ok := e.Body.(pour.TakenBack); ok {
			undone[b.Event] = true
		}
	}
	var lines []page.LogLine
	for _, e := range events {
		if e.Body.Kind() == pour.KindHeld {
			continue
		}
		lines = append(lines, page.LogLine{At: e.At.In(zone).Format("15:04:05"), By: e.By, What: eventWords(s, e.Body), Undone: undone[e.ID]})
	}
	return lines
}

func eventWords(s pour.State, body pour.Body) string {
	switch b := body.(type) {
	case pour.Planned:
		return "Planned " + b.Asked
	case pour.CupPlaced:
		return "Empty cup on, scale reads " + show(s, b.Reading)
	case pour.Poured:
		how := ""
		if b.Auto {
			how = ", accepted standing still"
		}
		if b.More {
			how = ", tin empty"
		}
		if b.Lot != "" {
			how += ", next lot " + b.Lot
		}
		return s.Component(b.Key).Name + " to " + show(s, b.Reading) + how
	case pour.LiftedOut:
		return "Lifted out " + s.Component(b.Key).Name + ", scale reads " + show(s, b.Reading)
	case pour.Reattributed:
		return show(s, b.Mass) + " g of " + s.Component(b.From).Name + " were really " + b.To.Name
	case pour.Corrected:
		return b.Choice.Title()
	case pour.TakenBack:
		return "Taken back"
	case pour.Stirred:
		return "Stirred"
	case pour.Drawn:
		return "Drawn off for a card"
	case pour.PouredOff:
		return "Poured off, scale reads " + show(s, b.Reading)
	case pour.Moved:
		return "Moved to " + b.Cup.Name
	case pour.Rezeroed:
		return "The display was zeroed, now reads " + show(s, b.Reading)
	case pour.Found:
		return causeWords(s, b)
	case pour.Shaken:
		return s.Component(b.Key).Name + " shaken"
	case pour.TakenOver:
		return "Taken over by " + orTablet(b.Name)
	case pour.Reduced:
		return "Reduced: " + b.Ratio
	case pour.Activated:
		return "Activated"
	case pour.Finished:
		return "Finished"
	case pour.Abandoned:
		return "Given up: " + b.Why
	}
	return string(body.Kind())
}
