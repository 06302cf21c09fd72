package web

import (
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"pourbook/internal/bench"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// pourView makes the screen of one cup from its state.
func (s *server) pourView(r *http.Request, state pour.State) (page.Pour, error) {
	v := visitorOf(r)
	p := page.Pour{
		Chrome: s.benchChrome(r, state.Plan.Title), Batch: state.Batch, Title: state.Plan.Title, Job: state.Plan.Job,
		Asked: state.Plan.Asked, Need: string(state.Need()), Holder: state.Holder == v.Device, Other: orTablet(state.Name),
		Seen: state.Decided, Epoch: state.Epoch, Typed: state.Plan.Typed, Pretend: s.Hand != nil && !state.Plan.Typed,
		OnScale: s.Bench.Active() == state.Batch,
	}
	p.Live = liveView(state, s.Bench.Look(state.Batch))
	if last, ok := state.LastUndoable(); ok {
		p.UndoEvent, p.Undo = last.ID, undoWords(state, last)
	}
	var err error
	switch state.Need() {
	case pour.NeedPour:
		p.Step = stepView(state)
		p.Position = position(state)
	case pour.NeedChoice:
		p.Choice, err = s.choiceView(r, state)
		p.Position = position(state)
	case pour.NeedCup, pour.NeedMove:
		err = s.cupsView(r, state, &p)
	case pour.NeedLift:
		p.Lift = liftView(state)
	case pour.NeedStir:
		p.Stir = stirWords(state)
	case pour.NeedPourOff:
		p.PourOff = page.Facts{Figure: show(state, state.Discard), Target: show(state, state.Last-state.Discard)}
	case pour.NeedNext:
		err = s.hubView(r, state, &p)
	case pour.NeedNothing:
		err = s.endedView(r, state, &p)
	}
	p.Cup = cupView(state, p.Live)
	return p, err
}

func orTablet(name string) string {
	if name == "" {
		return "Another tablet"
	}
	return name
}

// show writes a mass as the display of this cup's scale would.
func show(s pour.State, m gram.Mass) string { return m.Show(s.Plan.Balance.At(s.Last)) }

// position says which pour of how many is under way.
func position(s pour.State) string {
	done := map[int]bool{}
	for _, d := range s.Done {
		done[d.Step.No] = true
	}
	for _, t := range s.Todo {
		delete(done, t.No)
	}
	if len(s.Todo) == 0 {
		return fmt.Sprintf("%d of %d", len(done), len(done))
	}
	open := 1
	if s.Over != nil {
		open = 0
	}
	return fmt.Sprintf("%d of %d", len(done)+open, len(done)+len(s.Todo))
}

// liveView puts what the scale shows into words. It is also what the stream sends.
func liveView(s pour.State, l *bench.Live) page.Live {
	step, open := s.Open()
	v := page.Live{Zone: string(pour.ZonePour), Reads: "–"}
	gross := s.Last
	if s.Held != nil {
		gross = *s.Held
	}
	if l != nil {
		gross = l.Gross
		v.Serial, v.Moving, v.Trouble, v.Lost = l.Serial, !l.Steady, l.Trouble, l.Lost
		v.Grace, v.Drip, v.Confirm = l.Grace.Seconds(), l.Drip, l.Confirm
		v.Reads = gross.Show(s.Plan.Balance.At(gross))
	}
	if !open {
		return v
	}
	if s.Plan.Typed {
		gross = s.Last
	}
	zone, left := s.At(gross)
	v.Zone = string(zone)
	v.Enough = s.Enough(gross) || zone == pour.ZoneOver
	v.Net = show(s, gross-s.Last)
	v.Left = left.Abs().Show(s.Plan.Balance.At(gross))
	v.Fell = zone == pour.ZoneLifted
	if v.Fell {
		v.Left = show(s, step.Aim)
	}
	if v.Lost {
		v.Zone, v.Enough = "lost", false
		if s.Plan.Typed {
			v.Zone = string(zone)
		}
	}
	v.Word = zoneWord(v.Zone, left, s)
	v.Level = levelOf(s, gross)
	v.Mag = page.MagnifierLevel(left.Grams(), magnifierSpan(s, step))
	return v
}

func zoneWord(zone string, left gram.Mass, s pour.State) string {
	switch zone {
	case "pour":
		return "Pour"
	case "slowly":
		return "Slowly"
	case "stop":
		return "Stop"
	case "over":
		return "Over by " + show(s, -left) + " g"
	case "lifted":
		return "Cup lifted"
	}
	return "Scale lost"
}

func stepView(s pour.State) page.Step {
	step := s.Todo[0]
	c := s.Component(step.Key)
	v := page.Step{
		No: step.No, Attempt: s.Attempt(step.No), Name: c.Name, Swatch: c.Swatch, Key: string(step.Key),
		Aim: show(s, step.Aim), Stop: show(s, s.Stop()), Within: show(s, step.Tolerance), Why: whyWords(step.Why),
		Next: "Done: stir", MayName: len(s.Done) > 0,
	}
	if len(s.Todo) > 1 {
		v.Next = "Next: " + s.Component(s.Todo[1].Key).Name
	}
	var then []string
	for i, t := range s.Todo[1:] {
		if i == 2 {
			break
		}
		then = append(then, s.Component(t.Key).Name+" "+show(s, t.Aim))
	}
	if len(then) > 0 {
		v.Then = "then " + strings.Join(then, ", ")
	} else {
		v.Then = "the last one"
	}
	if c.Role == formula.Flake || c.Role == formula.Pearl {
		v.Flake, v.FlakeKey = "Shaken?", string(c.Key)
		if at, ok := s.ShakenAt[c.Key]; ok {
			v.Flake = "Shaken at " + at.Format("15:04") + "."
		}
	}
	if n := len(s.Done); n > 0 && s.Done[n-1].Auto {
		if last, ok := s.LastUndoable(); ok && last.ID == s.Done[n-1].Event {
			v.Before, v.BeforeUndo = s.Component(s.Done[n-1].Step.Key).Name, last.ID
		}
	}
	return v
}

func whyWords(w pour.Why) string {
	switch w {
	case pour.WhyWetting:
		return "a first splash"
	case pour.WhyTopUp:
		return "top up"
	case pour.WhyRest:
		return "the rest of it"
	case pour.WhyTint:
		return "tint"
	case pour.WhyBringUp:
		return "held back"
	case pour.WhyPaint:
		return "into the spray cup"
	case pour.WhyReduce:
		return "reduction"
	}
	return ""
}

func stirWords(s pour.State) string {
	switch {
	case s.Pending == pour.PourOff:
		return "What is poured off must be the whole mix, not the last toner. To the bottom and along the wall, until no streak is left."
	case s.Reduced != nil:
		return "Paint and reduction must be one before the gun is loaded."
	}
	return "All toners are in. To the bottom and along the wall, at least a minute, until no streak is left."
}

func undoWords(s pour.State, e pour.Event) string {
	switch b := e.Body.(type) {
	case pour.Poured:
		return s.Component(b.Key).Name + " is poured"
	case pour.Reattributed:
		return "the other toner"
	case pour.Corrected:
		return b.Choice.Title()
	case pour.LiftedOut:
		return "what was lifted out"
	case pour.Reduced:
		return "the reduction"
	}
	return "the last step"
}

func (s *server) choiceView(r *http.Request, state pour.State) (page.Choice, error) {
	options, err := s.options(r, state)
	if err != nil {
		return page.Choice{}, err
	}
	over := *state.Over
	name := state.Component(over.Key).Name
	v := page.Choice{
		Heading: fmt.Sprintf("%s is %s g over", name, show(state, over.By)),
		Sub:     fmt.Sprintf("Wanted %s, poured %s. Nothing is lost: choose how to go on.", show(state, over.Aim), show(state, over.Net)),
	}
	if over.Foreign {
		v.Heading = fmt.Sprintf("%s g of %s do not belong in here", show(state, over.By), name)
		v.Sub = "Nothing is lost yet: choose how to go on."
	}
	for i, o := range inOrderOfUse(options) {
		view := s.optionView(state, o, i == 0)
		if len(v.Options) < 3 && (o.Fits || i == 0) {
			v.Options = append(v.Options, view)
		} else {
			v.Others = append(v.Others, view)
		}
	}
	return v, nil
}

// inOrderOfUse leaves out ways that pour the very same as an earlier one, and puts those that fit and meet the limit
// before the rest. The recommended one stays first.
func inOrderOfUse(options []pour.Option) []pour.Option {
	shown := map[pour.Choice]bool{}
	var good, rest []pour.Option
	for i, o := range options {
		if o.SameAs != "" && shown[o.SameAs] {
			continue
		}
		shown[o.Choice] = true
		if i == 0 || o.Fits && o.Within {
			good = append(good, o)
		} else {
			rest = append(rest, o)
		}
	}
	return append(good, rest...)
}

func (s *server) optionView(state pour.State, o pour.Option, first bool) page.Option {
	v := page.Option{
		Key: string(o.Choice), Title: o.Choice.Title(), Amount: show(state, o.Extra) + " g", AmountLabel: "more paint",
		Recommended: first, Cost: money(o.Cost),
	}
	v.Why = o.Reason
	if first {
		if add := topUps(state, o); add != "" {
			v.Why = add + ". " + o.Reason
		}
	}
	if o.Discard > 0 {
		v.Amount, v.AmountLabel = show(state, o.Discard)+" g", "thrown away"
	}
	v.Match, v.MatchDetail = matchWords(o)
	if !o.Fits {
		v.Match, v.MatchDetail = "does not fit", "in this cup"
	}
	return v
}

// topUps lists what is added to toners that are in already: "Chalk 5.1, Delft 2.0".
func topUps(state pour.State, o pour.Option) string {
	var parts []string
	for _, a := range o.Add {
		if !a.StillToCome && a.Mass > 0 {
			parts = append(parts, a.Name+" "+show(state, a.Mass))
		}
	}
	return strings.Join(parts, ", ")
}

func matchWords(o pour.Option) (string, string) {
	switch {
	case o.DeltaE != nil:
		return seenBy(*o.DeltaE), fmt.Sprintf("ΔE %.2f", *o.DeltaE)
	case o.Worst < 0.05 && o.Foreign < 0.05:
		return "exact", ""
	case o.Foreign >= 0.05:
		return fmt.Sprintf("%.1f %%", o.Foreign), "foreign toner"
	}
	return fmt.Sprintf("%.1f %%", o.Worst), "off at most"
}

// seenBy says who would see a difference. Common practice, no source.
func seenBy(deltaE float64) string {
	switch {
	case deltaE < 0.3:
		return "not seen"
	case deltaE <= 1:
		return "side by side only"
	case deltaE <= 2:
		return "seen when looked for"
	}
	return "seen at a glance"
}

func money(m formula.Money) string {
	if m == 0 {
		return ""
	}
	sign := ""
	if m < 0 {
		sign, m = "−", -m
	}
	return fmt.Sprintf("%s%d.%02d", sign, m/100, m%100)
}

func liftView(s pour.State) page.Lift {
	if s.Over == nil {
		return page.Lift{}
	}
	return page.Lift{Name: s.Component(s.Over.Key).Name, By: show(s, s.Over.By), Target: show(s, s.Last-s.Over.By)}
}

func (s *server) cupsView(r *http.Request, state pour.State, p *page.Pour) error {
	settings, err := s.Store.Settings(r.Context())
	if err != nil {
		return err
	}
	if state.NewCup != nil {
		p.Moving = state.NewCup.Cup.Name
		return nil
	}
	least := 0.0
	if state.Need() == pour.NeedMove {
		least = state.Cup.Brim
	}
	chosen := false
	for _, c := range settings.Cups {
		if c.Brim <= least {
			continue
		}
		choice := page.CupChoice{Value: c.Name, Name: c.Name, Chosen: c.Name == state.Cup.Name || state.Need() == pour.NeedMove && !chosen}
		chosen = chosen || choice.Chosen
		p.CupNames = append(p.CupNames, choice)
	}
	return nil
}

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

func shopOf(set store.Settings) pour.Shop {
	return pour.Shop{Limit: set.LimitDeltaE, CupCost: set.CupCost, MinuteRate: set.MinuteRate, Cups: set.Cups}
}
