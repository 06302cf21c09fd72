package web

import (
	"fmt"
	"math"
	"net/http"
	"strings"

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
		p.CheckDue = s.checkDue(r.Context())
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
		v.Ask, v.Middle = askView(l.Ask), l.Middle
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
	if zone == pour.ZoneLifted {
		v.Left = show(s, step.Aim)
	}
	v.Near = nearness(left, max(20*s.Plan.Balance.At(gross), step.Aim/5))
	if v.Ask != nil {
		v.Enough = false
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

// nearness says how near the stop is: 0 while span or more is to go, 1 at the stop and beyond.
func nearness(left, span gram.Mass) float64 {
	return math.Round(100*(1-math.Min(math.Max(left.Grams()/span.Grams(), 0), 1))) / 100
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

func shopOf(set store.Settings) pour.Shop {
	return pour.Shop{Limit: set.LimitDeltaE, CupCost: set.CupCost, MinuteRate: set.MinuteRate, Cups: set.Cups}
}
