package web

import (
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"

	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/web/page"
)

func (s *server) hubView(r *http.Request, state pour.State, p *page.Pour) error {
	h := page.Hub{
		Grams: show(state, state.Contents()) + " g", Worst: againstFormula(state), MayTint: state.Reduced == nil,
		MayReduce: state.Reduced == nil, Primary: "/batch/" + state.Batch + "/reduce", PrimaryLabel: "Reduce it",
	}
	if ml := volume(state); ml > 0 {
		h.Millilitres = fmt.Sprintf("%.0f ml", ml)
	}
	if state.Drawn > 0 {
		h.Drawn = show(state, state.Drawn) + " g"
	}
	if state.Reduced != nil {
		h.Reduced = state.Reduced.Ratio
		h.Primary, h.PrimaryLabel = "/batch/"+state.Batch+"/finish", "Finish"
		p.Cautions = reducedCautions(state)
	}
	if !state.ActivatedAt.IsZero() && state.Plan.PotLife > 0 {
		ends := state.ActivatedAt.Add(state.Plan.PotLife)
		h.PotLife = "Spray until " + ends.In(s.Now().Location()).Format("15:04")
		h.PotLifeEnds = ends.Unix()
	}
	var held []string
	for _, c := range state.Components {
		if c.Held > 0 {
			held = append(held, c.Name+" "+show(state, c.Held)+" g")
		}
	}
	h.HeldBack = strings.Join(held, ", ")
	p.Hub = h
	return s.hubCards(r, state, p)
}

func (s *server) hubCards(r *http.Request, state pour.State, p *page.Pour) error {
	cards, err := s.Store.CardsOf(r.Context(), state.Batch)
	if err != nil {
		return err
	}
	for _, c := range cards {
		word := string(c.Decision)
		switch {
		case c.Decision == "":
			word = "not judged yet"
		case !c.Final():
			word += ", not final"
		}
		p.Hub.Cards = append(p.Hub.Cards, page.HubCard{Href: "/card/" + strconv.FormatInt(c.ID, 10), Number: "Card " + strconv.Itoa(c.Number), Word: word})
	}
	return nil
}

// reducedCautions are the usual ones. They remind; the data sheet and local rules decide.
func reducedCautions(s pour.State) []string {
	cautions := []string{"Solvent vapour: lids on, extraction running, nothing that sparks. Data sheet and local rules first."}
	if !s.ActivatedAt.IsZero() {
		cautions = append([]string{"Isocyanates: air-fed mask, gloves and eye cover from mixing to gun cleaning; nobody back in before the room has cleared. Left-over activated paint heats up: never seal it tight."}, cautions...)
	}
	return cautions
}

func volume(s pour.State) float64 {
	ml := 0.0
	for i, m := range s.In {
		if m == 0 {
			continue
		}
		if s.Components[i].Density <= 0 {
			return 0
		}
		ml += m.Grams() / s.Components[i].Density
	}
	return ml
}

func againstFormula(s pour.State) string {
	worst, name := 0.0, ""
	components, grams := s.Recipe()
	var sum, goal gram.Mass
	for i, c := range components {
		sum += grams[i]
		goal += c.Goal - c.Held
	}
	if sum == 0 || goal == 0 {
		return "–"
	}
	for i, c := range components {
		want := float64(c.Goal-c.Held) / float64(goal)
		if want == 0 {
			return c.Name + " is foreign"
		}
		if off := (float64(grams[i])/float64(sum)/want - 1) * 100; math.Abs(off) > math.Abs(worst) {
			worst, name = off, c.Name
		}
	}
	if math.Abs(worst) < 0.05 {
		return "exact"
	}
	return name + " " + signed(worst) + " %"
}
