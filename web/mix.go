package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/go-chi/chi/v5"
	"github.com/google/uuid"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// recipe is what is to be mixed: a revision of the book, or what was really in an earlier cup.
type recipe struct {
	formula  formula.Formula
	revision formula.Revision
	lines    []formula.Line
	again    string // the batch that is repeated
	poured   bool   // as poured, not as planned
	before   *pour.State
}

func (s *server) recipe(r *http.Request) (recipe, error) {
	id, err := strconv.ParseInt(chi.URLParam(r, "formula"), 10, 64)
	if err != nil {
		return recipe{}, notFound("formula")
	}
	var c recipe
	if c.formula, err = s.Store.Formula(r.Context(), id); err != nil {
		return c, err
	}
	revision := r.FormValue("rev")
	if from := r.FormValue("from"); from != "" {
		state, err := s.Store.State(r.Context(), from)
		if err != nil {
			return c, err
		}
		c.again, c.before, c.poured = from, &state, r.FormValue("as") == "poured"
		revision = strconv.FormatInt(state.Plan.RevisionID, 10)
	}
	if c.revision, err = s.revisionOf(r.Context(), c.formula, revision); err != nil {
		return c, err
	}
	c.lines = c.revision.Lines
	if c.poured {
		c.lines, err = s.pouredLines(r.Context(), *c.before)
	}
	return c, err
}

func (s *server) revisionOf(ctx context.Context, f formula.Formula, id string) (formula.Revision, error) {
	if id == "" || id == "0" {
		return s.Store.LatestRevision(ctx, f.ID)
	}
	n, err := strconv.ParseInt(id, 10, 64)
	if err != nil {
		return formula.Revision{}, notFound("revision")
	}
	rev, err := s.Store.Revision(ctx, n)
	if err == nil && rev.FormulaID != f.ID {
		return formula.Revision{}, notFound("revision of this formula")
	}
	return rev, err
}

// pouredLines returns what was really in a cup as the lines of a formula.
func (s *server) pouredLines(ctx context.Context, state pour.State) ([]formula.Line, error) {
	components, grams := state.Recipe()
	lines := make([]formula.Line, 0, len(components))
	for i, c := range components {
		toner, err := s.Store.Toner(ctx, c.TonerID)
		if err != nil {
			return nil, err
		}
		lines = append(lines, formula.Line{Toner: toner, Mass: grams[i]})
	}
	return lines, nil
}

// mixForm asks how much of a formula is wanted and shows at once whether the scale can weigh it.
func (s *server) mixForm(w http.ResponseWriter, r *http.Request) error {
	c, err := s.recipe(r)
	if err != nil {
		return err
	}
	view, _, _, err := s.mixView(r, c)
	if err != nil {
		return err
	}
	if r.FormValue("part") == "plan" {
		return render(w, r, http.StatusOK, page.MixPlan(view))
	}
	return render(w, r, http.StatusOK, page.MixPage(view))
}

// mixStart opens the batch.
func (s *server) mixStart(w http.ResponseWriter, r *http.Request) error {
	c, err := s.recipe(r)
	if err != nil {
		return err
	}
	view, plan, weighing, err := s.mixView(r, c)
	if err != nil {
		return err
	}
	if len(view.Problems) == 0 && needsOverride(weighing) && r.FormValue("override") == "" {
		view.Problems = map[string]string{"override": "A pour is under 5 divisions of the scale. Choose a way out, or say that you mean it."}
	}
	if len(view.Problems) > 0 {
		return render(w, r, http.StatusUnprocessableEntity, page.MixPage(view))
	}
	v := visitorOf(r)
	id := uuid.NewString()
	if sent := r.FormValue("id"); sent != "" {
		id = uuid.NewSHA1(uuid.NameSpaceOID, []byte("batch "+sent)).String() // the same form sent twice is one batch
	}
	state, err := s.Store.Plan(r.Context(), id, pour.Command{ID: uuid.NewSHA1(uuid.NameSpaceOID, []byte("planned "+id)).String(), Device: v.Device, By: v.Person, At: s.Now(), Body: plan})
	if err != nil {
		return err
	}
	s.Bench.Offer(state)
	http.Redirect(w, r, "/batch/"+state.Batch, http.StatusSeeOther)
	return nil
}

// startAgain opens the same plan anew in place of a cup that was given up. It may be asked twice for the same cup.
func (s *server) startAgain(r *http.Request, old pour.State, cmd pour.Command) (pour.State, error) {
	plan := old.Plan
	plan.Again = old.Batch
	id := uuid.NewSHA1(uuid.NameSpaceOID, []byte("again "+old.Batch)).String()
	state, err := s.Store.Plan(r.Context(), id, pour.Command{
		ID: uuid.NewSHA1(uuid.NameSpaceOID, []byte("planned "+id)).String(), Device: cmd.Device, By: cmd.By, At: cmd.At, Body: plan,
	})
	if err == nil {
		s.Bench.Bring(state)
	}
	return state, err
}

func needsOverride(w pour.Weighing) bool {
	for _, row := range w.Rows {
		if row.Mark == pour.MarkOverride {
			return true
		}
	}
	return false
}

// mixView reads the form and works the plan out. What is wrong with the form stands in the view's Problems.
func (s *server) mixView(r *http.Request, c recipe) (page.Mix, pour.Planned, pour.Weighing, error) {
	settings, err := s.Store.Settings(r.Context())
	if err != nil {
		return page.Mix{}, pour.Planned{}, pour.Weighing{}, err
	}
	view := s.mixFields(r, c, settings)
	request, problems := mixRequest(r, c, settings, view)
	if request.Cut, err = s.cuts(r, c.lines, r.Method == http.MethodPost); err != nil {
		return view, pour.Planned{}, pour.Weighing{}, err
	}
	request.Balance = s.balance(settings, request.Typed)
	plan, weighing, err := pour.NewPlan(request)
	if err != nil && problems["amount"] == "" {
		var problem *pour.Problem
		if !errors.As(err, &problem) {
			return view, plan, weighing, err
		}
		field := "amount"
		if strings.HasPrefix(problem.Field, "hold") {
			field = "hold"
		}
		problems[field] = problem.Detail
	}
	view.Problems = problems
	fillPlan(&view, r, c, weighing, request)
	return view, plan, weighing, nil
}

func (s *server) balance(set store.Settings, typed bool) gram.Balance {
	if typed {
		return set.Balance
	}
	return s.Bench.Balance()
}

func (s *server) mixFields(r *http.Request, c recipe, set store.Settings) page.Mix {
	view := page.Mix{
		Chrome: s.chrome(r, "Mix "+c.formula.Title(), page.RoomBench), Action: "/mix/" + strconv.FormatInt(c.formula.ID, 10),
		ID: uuid.NewString(), Title: c.formula.Title(), Code: c.formula.Code, Coat: string(c.formula.Coat), Swatch: c.formula.Swatch,
		Revision: c.revision.Number, RevisionID: c.revision.ID, From: c.again, As: r.FormValue("as"),
		Amount: r.FormValue("amount"), Unit: r.FormValue("unit"), Of: r.FormValue("of"), Job: r.FormValue("job"),
		Cup: r.FormValue("cup"), Order: r.FormValue("order"), Hold: r.FormValue("hold"), Typed: s.typed() || r.FormValue("typed_readings") != "",
		Override: r.FormValue("override") != "", MayReady: c.revision.Reduction != nil,
	}
	view.Cut = r.Form["cut"]
	view.Scripts = append(view.Scripts, assetURL("js/mix.js"))
	if !r.Form.Has("amount") { // first look: what a shop mixes most, or what was mixed before
		view.Amount, view.Unit, view.Of, view.Typed = "350", "ml", "colour", s.typed() || set.TypedReadings
		if c.before != nil {
			view.Amount, view.Unit, view.Job = c.before.Plan.Total.Show(1), "g", c.before.Plan.Job
			view.Cup = c.before.Plan.Cup.Name
		}
	}
	for _, u := range gram.Units {
		view.Units = append(view.Units, page.UnitChoice{Value: string(u), Label: u.Label(), Chosen: string(u) == view.Unit})
	}
	for _, cup := range set.Cups {
		view.Cups = append(view.Cups, page.CupChoice{Value: cup.Name, Name: cup.Name, Chosen: cup.Name == view.Cup})
	}
	for _, l := range c.lines {
		if l.Toner.Strength == formula.Strong {
			view.Strong = append(view.Strong, l.Toner.Name)
		}
	}
	return view
}

// mixRequest turns the form into a request for a plan.
func mixRequest(r *http.Request, c recipe, set store.Settings, view page.Mix) (pour.Request, map[string]string) {
	problems := map[string]string{}
	q := pour.Request{
		Title: c.formula.Title(), Job: strings.Join(strings.Fields(view.Job), " "), Swatch: c.formula.Swatch, FormulaID: c.formula.ID, RevisionID: c.revision.ID,
		Revision: c.revision.Number, System: c.formula.System, Coat: c.formula.Coat, Lines: c.lines, FixedOrder: c.revision.FixedOrder,
		Ready: view.Of == "ready" && c.revision.Reduction != nil, Reduction: c.revision.Reduction, PotLife: c.revision.PotLife, Balance: set.Balance,
		SafeOrder: view.Order == "safe", Typed: view.Typed, Again: c.again, Limit: set.LimitDeltaE, TolerancePercent: set.TolerancePercent,
	}
	if len([]rune(q.Job)) > 80 {
		problems["job"] = "Use at most 80 letters for the job."
	}
	value, err := formula.ParseNumber(view.Amount)
	if err != nil {
		problems["amount"] = err.Error()
		return q, problems
	}
	unit, err := gram.ParseUnit(view.Unit)
	if err != nil {
		problems["amount"] = err.Error()
		return q, problems
	}
	q.Amount = gram.Amount{Value: value, Unit: unit}
	q.Cup, q.CupEmpty = cupFor(set.Cups, view.Cup, q)
	if part, err := strconv.ParseFloat(view.Hold, 64); err == nil && part > 0 {
		for _, l := range c.lines {
			if l.Toner.Strength == formula.Strong {
				q.HoldBack = append(q.HoldBack, pour.HoldBack{Key: pour.TonerKey(l.Toner.ID), Part: part / 100})
			}
		}
	}
	return q, problems
}

// cupFor returns the chosen cup, or the smallest that the batch fits in.
func cupFor(cups []pour.Cup, name string, q pour.Request) (pour.Cup, gram.Mass) {
	for _, c := range cups {
		if c.Name == name {
			return c, c.Empty
		}
	}
	for _, c := range cups {
		q.Cup, q.CupEmpty = c, c.Empty
		if _, w, err := pour.NewPlan(q); err == nil && w.Fits {
			return c, c.Empty
		}
	}
	if len(cups) > 0 {
		largest := cups[len(cups)-1]
		return largest, largest.Empty
	}
	return pour.Cup{}, 0
}

func fillPlan(view *page.Mix, r *http.Request, c recipe, w pour.Weighing, q pour.Request) {
	view.Cup = q.Cup.Name
	for i := range view.Cups {
		view.Cups[i].Chosen = view.Cups[i].Value == q.Cup.Name
	}
	view.Sentence, view.Weighable, view.Notes = w.Sentence, w.Weighable && w.Fits, w.Notes
	view.NeedOverride = needsOverride(w)
	for _, cut := range q.Cut {
		view.Notes = append(view.Notes, cutNote(cut, c.lines))
	}
	swatch := map[pour.Key]string{}
	for _, l := range c.lines {
		swatch[pour.TonerKey(l.Toner.ID)] = l.Toner.Swatch
	}
	for _, cut := range q.Cut {
		swatch[pour.TonerKey(cut.Cut.ID)] = cut.Cut.Swatch
	}
	var total gram.Mass
	for _, row := range w.Rows {
		total += row.Grams
		view.Rows = append(view.Rows, page.MixRow{
			Swatch: swatch[row.Key], Name: row.Name, Grams: row.Net.Show(row.Division), Running: row.Reading.Show(row.Division),
			Mark: string(row.Mark), Doubt: fmt.Sprintf("± %.0f %%", row.Percent), Why: whyWords(row.Why),
		})
	}
	view.Total = total.Show(q.Balance.At(total))
	if w.Millilitres > 0 {
		view.Volume = fmt.Sprintf("%.0f ml", w.Millilitres)
	}
	for _, o := range w.WaysOut {
		way := page.WayOut{Sentence: o.Sentence}
		query := url.Values{}
		for _, keep := range []string{"rev", "from", "as", "job", "order", "amount", "unit", "of", "cup", "hold", "cut"} {
			if v := r.Form[keep]; len(v) > 0 {
				query[keep] = v
			}
		}
		switch {
		case o.Way == pour.WayMixMore && o.Possible:
			query.Set("amount", o.Amount.Show(1))
			query.Set("unit", "g")
			query.Set("of", "colour")
			query.Del("cup")
			way.Href, way.Label = view.Action+"?"+query.Encode(), "Mix "+o.Amount.Show(q.Balance.Division)+" g"
		case o.Way == pour.WayCutToner && o.Possible:
			query.Add("cut", cutParam(o))
			way.Href, way.Label = view.Action+"?"+query.Encode(), "Use it"
		}
		view.WaysOut = append(view.WaysOut, way)
	}
}
