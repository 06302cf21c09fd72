package web

import (
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"pourbook/internal/bench"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// reduceForm asks how the cup is made ready to spray, with the formula's own reduction filled in.
func (s *server) reduceForm(w http.ResponseWriter, r *http.Request) error {
	state, err := s.cup(r)
	if err != nil {
		return err
	}
	v, request, problems, err := s.reduceView(r, state)
	if err != nil {
		return err
	}
	showReduction(&v, state, request, problems)
	if r.FormValue("part") == "plan" {
		return render(w, r, http.StatusOK, page.ReducePlan(v))
	}
	return render(w, r, http.StatusOK, page.ReducePage(v))
}

// reduceStart books the decision; its pours come up on the pour screen.
func (s *server) reduceStart(w http.ResponseWriter, r *http.Request) error {
	state, err := s.cup(r)
	if err != nil {
		return err
	}
	v, request, problems, err := s.reduceView(r, state)
	if err != nil {
		return err
	}
	reduced := showReduction(&v, state, request, problems)
	if len(v.Problems) > 0 {
		return render(w, r, http.StatusUnprocessableEntity, page.ReducePage(v))
	}
	visitor := visitorOf(r)
	t := bench.Tap{Command: pour.Command{
		ID: tapID(r), Device: visitor.Device, By: visitor.Person, At: s.Now(), Seen: formInt(r, "seen"), Epoch: formInt(r, "epoch"), Body: reduced,
	}}
	if _, err = s.Bench.Do(r.Context(), state.Batch, t); err != nil {
		return err
	}
	http.Redirect(w, r, "/batch/"+state.Batch, http.StatusSeeOther)
	return nil
}

func (s *server) reduceView(r *http.Request, state pour.State) (page.Reduce, pour.ReductionRequest, map[string]string, error) {
	if err := r.ParseForm(); err != nil {
		return page.Reduce{}, pour.ReductionRequest{}, nil, err
	}
	toners, err := s.Store.Toners(r.Context(), store.TonerFilter{})
	if err != nil {
		return page.Reduce{}, pour.ReductionRequest{}, nil, err
	}
	v := page.Reduce{Aside: s.aside(r, state, "Make it ready to spray"), ID: uuid.NewString(), Contents: show(state, state.Contents())}
	v.Scripts = append(v.Scripts, assetURL("js/mix.js"))
	if !r.Form.Has("paint") {
		fillUsual(&v, state)
	} else {
		v.Paint, v.Hardener, v.HardenerParts = r.FormValue("paint"), r.FormValue("hardener"), r.FormValue("hardener_parts")
		v.Reducer, v.ReducerParts, v.ReducerAs = r.FormValue("reducer"), r.FormValue("reducer_parts"), r.FormValue("reducer_as")
		v.By, v.Share, v.Portion, v.Unit, v.Of = r.FormValue("by"), r.FormValue("share"), r.FormValue("portion"), r.FormValue("unit"), r.FormValue("of")
	}
	for _, t := range toners {
		choice := page.TonerChoice{ID: t.Name, Name: t.Name, Swatch: t.Swatch}
		if t.Density > 0 {
			choice.Detail = strconv.FormatFloat(t.Density, 'f', -1, 64) + " g/ml"
		}
		switch t.Kind {
		case formula.Hardener:
			v.Hardeners = append(v.Hardeners, choice)
		case formula.Reducer:
			v.Reducers = append(v.Reducers, choice)
		}
	}
	for _, u := range gram.Units {
		v.Units = append(v.Units, page.UnitChoice{Value: string(u), Label: u.Label(), Chosen: string(u) == v.Unit})
	}
	request, problems := reductionRequest(v, toners, state.Plan.Reduction)
	return v, request, problems, nil
}

// fillUsual puts the formula's own reduction into an untouched form.
func fillUsual(v *page.Reduce, state pour.State) {
	v.Paint, v.By, v.Share, v.Unit, v.Of, v.ReducerAs = "1", "volume", "all", "ml", "ready", "parts"
	usual := state.Plan.Reduction
	if usual == nil {
		return
	}
	v.By, v.Paint = usual.By, trimFloat(usual.Paint)
	for _, p := range usual.Parts {
		if p.Kind == formula.Hardener {
			v.Hardener, v.HardenerParts = p.Name, trimFloat(p.Parts)
		} else {
			v.Reducer, v.ReducerParts = p.Name, trimFloat(p.Parts)
		}
	}
}

func trimFloat(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }

// reductionRequest reads the notation: parts of each, or the reducer in per cent of something named.
func reductionRequest(v page.Reduce, toners []formula.Toner, usual *formula.Ratio) (pour.ReductionRequest, map[string]string) {
	problems := map[string]string{}
	number := func(field, text string) float64 {
		n, err := formula.ParseNumber(text)
		switch {
		case err != nil:
			problems[field] = err.Error()
		case n <= 0:
			problems[field] = "Enter a number above 0."
		}
		return n
	}
	ratio := formula.Ratio{Paint: number("paint", v.Paint), By: v.By}
	var request pour.ReductionRequest
	if v.Hardener != "" {
		ratio.Parts = append(ratio.Parts, partOf(v.Hardener, formula.Hardener, number("hardener", v.HardenerParts), toners, usual))
	}
	if v.Reducer != "" {
		part := partOf(v.Reducer, formula.Reducer, number("reducer", v.ReducerParts), toners, usual)
		if v.ReducerAs == "parts" || v.ReducerAs == "" {
			ratio.Parts = append(ratio.Parts, part)
		} else {
			request.Percent = &pour.Thinning{Part: part, Percent: part.Parts, Of: pour.Basis(v.ReducerAs), By: v.By}
		}
	}
	if len(ratio.Parts) > 0 {
		request.Ratio = &ratio
	}
	if len(ratio.Parts) == 0 && request.Percent == nil {
		problems["reducer"] = "Choose a hardener, a reducer or both."
	}
	if v.Share == "part" {
		amount := gram.Amount{Value: number("portion", v.Portion), Unit: gram.Unit(v.Unit)}
		request.Portion, request.Ready = &amount, v.Of != "colour"
	}
	return request, problems
}

func partOf(name string, kind formula.Kind, parts float64, toners []formula.Toner, usual *formula.Ratio) formula.Part {
	p := formula.Part{Name: name, Kind: kind, Parts: parts}
	for _, t := range toners {
		if t.Name == name && t.Kind == kind {
			p.Density = t.Density
		}
	}
	if p.Density == 0 && usual != nil {
		for _, u := range usual.Parts {
			if u.Name == name {
				p.Density = u.Density
			}
		}
	}
	return p
}

// showReduction works the reduction out and puts its rows, or what is wrong, into the view.
func showReduction(v *page.Reduce, state pour.State, request pour.ReductionRequest, problems map[string]string) pour.Reduced {
	v.Problems = problems
	if len(problems) > 0 {
		return pour.Reduced{}
	}
	reduced, rows, err := pour.PlanReduction(state, request)
	if err != nil {
		var p *pour.Problem
		field := "plan"
		if errors.As(err, &p) && strings.HasPrefix(p.Field, "portion") {
			field = "portion"
		}
		v.Problems[field] = err.Error()
	}
	for _, row := range rows {
		line := page.ReduceRow{Name: row.Name, Grams: show(state, row.Mass), Running: show(state, row.Running)}
		if row.Millilitres > 0 {
			line.Millilitres = fmt.Sprintf("%.0f", row.Millilitres)
		}
		v.Rows = append(v.Rows, line)
	}
	v.Ratio = reduced.Ratio
	v.NewCup = reduced.NewCup
	for _, c := range reduced.Parts {
		v.Hardens = v.Hardens || c.Role == formula.Hardener
	}
	if v.Hardens && state.Plan.PotLife > 0 {
		v.PotLife = fmt.Sprintf("%.0f min", state.Plan.PotLife.Minutes())
	}
	return reduced
}
