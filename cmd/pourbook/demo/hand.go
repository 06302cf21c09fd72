package demo

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/store"
)

// device is where the demo's cups were poured.
const device = "bench tablet"

// moment is when paint for a card was drawn from a cup, and how far the cup was.
type moment struct {
	seq int
	at  time.Time
}

// hand pours one cup as the story tells it, as unsteadily as random says. How unsteady is set by eye: a hair short on
// the whole, within 0.15 g and a thousandth in two pours of three.
type hand struct {
	book    *store.Store
	random  *rand.Rand
	shop    pour.Shop
	toners  func(name string) (formula.Toner, bool)
	cup     cup
	batch   string
	clock   time.Time
	state   pour.State
	poured  int
	slipped map[string]bool
	bigger  pour.Cup // chosen for what does not fit into the first
	drawn   []moment
}

// run plans the cup and does with it what the story says.
func (h *hand) run(ctx context.Context, plan pour.Planned) error {
	h.slipped = map[string]bool{}
	var err error
	if h.state, err = h.book.Plan(ctx, h.batch, h.command(plan)); err != nil {
		return err
	}
	if err := h.untilNext(ctx); err != nil {
		return err
	}
	for _, a := range h.cup.Then {
		if err := h.act(ctx, a); err != nil {
			return err
		}
		if err := h.untilNext(ctx); err != nil {
			return err
		}
	}
	for name := range h.cup.Slips {
		if !h.slipped[name] {
			return fmt.Errorf("%s was never poured, so the hand could not slip", name)
		}
	}
	return nil
}

// command gives a body an ID that the same story always makes.
func (h *hand) command(body pour.Body) pour.Command {
	return pour.Command{
		ID: fmt.Sprintf("%s-%d", h.batch, h.state.Seq+1), Seen: h.state.Decided, Epoch: h.state.Epoch,
		Device: device, By: h.cup.By, At: h.clock, Body: body,
	}
}

// do records one event, so many seconds after the one before.
func (h *hand) do(ctx context.Context, seconds int, body pour.Body) error {
	h.clock = h.clock.Add(time.Duration(seconds) * time.Second)
	state, err := h.book.Record(ctx, h.batch, h.command(body))
	if err != nil {
		return fmt.Errorf("%s: %w", body.Kind(), err)
	}
	h.state = state
	return nil
}

// untilNext does what the cup needs until it is full and stirred, closed, or as far as the story wants it.
func (h *hand) untilNext(ctx context.Context) error {
	const most = 200 // events; no cup of the story comes near
	for range most {
		s := h.state
		d := s.Plan.Balance.At(s.Last)
		var err error
		switch s.Need() {
		case pour.NeedNothing, pour.NeedNext:
			return nil
		case pour.NeedCup:
			err = h.do(ctx, 20, pour.CupPlaced{Reading: s.Cup.Empty.Round(d), Cup: s.Cup})
		case pour.NeedPour:
			if h.cup.StopAfter > 0 && h.poured == h.cup.StopAfter {
				return nil
			}
			err = h.pour(ctx)
		case pour.NeedChoice:
			err = h.choose(ctx)
		case pour.NeedStir:
			err = h.do(ctx, 50, pour.Stirred{})
		case pour.NeedPourOff:
			err = h.do(ctx, 60, pour.PouredOff{Reading: (s.Last - s.Discard).Round(d)})
		case pour.NeedLift:
			err = h.do(ctx, 60, pour.LiftedOut{Reading: (s.Last - s.Over.By).Round(d)})
		case pour.NeedMove:
			if s.NewCup == nil {
				err = h.do(ctx, 30, pour.CupPlaced{Reading: h.bigger.Empty.Round(d), Cup: h.bigger})
			} else {
				err = h.do(ctx, 60, pour.Moved{Full: (s.NewCup.Reading + s.Contents() - h.shop.Clings).Round(d)})
			}
		}
		if err != nil {
			return err
		}
	}
	return errors.New("the cup never came to an end")
}

// choose takes the way on that is recommended.
func (h *hand) choose(ctx context.Context) error {
	aim, err := h.book.ColourOf(ctx, h.state)
	if err != nil {
		return err
	}
	options := pour.Choices(h.state, h.shop, aim)
	if len(options) == 0 {
		return errors.New("there is no way on from an overshoot")
	}
	if options[0].Cup != nil {
		h.bigger = *options[0].Cup
	}
	return h.do(ctx, 40, options[0].Corrected())
}

// pour books the open step as this hand pours it: over by far where the story lets it slip, else within tolerance.
func (h *hand) pour(ctx context.Context) error {
	step, _ := h.state.Open()
	component := h.state.Component(step.Key)
	if component.Role == formula.Flake && h.state.ShakenAt[step.Key].IsZero() {
		if err := h.do(ctx, 30, pour.Shaken{Key: step.Key}); err != nil {
			return err
		}
	}
	s := h.state
	d := s.Plan.Balance.At(s.Last + step.Aim)
	reading := s.Stop()
	if slip, ok := h.cup.Slips[component.Name]; ok && !h.slipped[component.Name] {
		h.slipped[component.Name] = true
		reading = (s.Last + gram.Of(step.Aim.Grams()*slip)).Round(d)
	} else {
		spread := min(0.35*step.Tolerance.Grams(), 0.15+0.001*step.Aim.Grams())
		reading = (reading + gram.Of(spread*(h.random.NormFloat64()-0.4))).Round(d)
		for reading-s.Last > step.Aim+step.Tolerance {
			reading -= d
		}
		for reading-s.Last < step.Aim-step.Tolerance || reading <= s.Last {
			reading += d
		}
	}
	h.poured++
	return h.do(ctx, 15+h.random.IntN(40), pour.Poured{Step: step.No, Attempt: s.Attempt(step.No), Key: step.Key, Reading: reading})
}

// act does one thing to a cup that is full and stirred.
func (h *hand) act(ctx context.Context, a act) error {
	s := h.state
	d := s.Plan.Balance.At(s.Last)
	switch {
	case a.Abandon != "":
		return h.do(ctx, 30, pour.Abandoned{Why: a.Abandon})
	case s.Need() != pour.NeedNext:
		return fmt.Errorf("the cup needs %q first", s.Need())
	case a.Wait > 0:
		h.clock = h.clock.Add(time.Duration(a.Wait) * time.Minute)
		return nil
	case a.Draw > 0:
		if err := h.do(ctx, 45, pour.Drawn{Reading: (s.Last - gram.Of(a.Draw)).Round(d)}); err != nil {
			return err
		}
		h.drawn = append(h.drawn, moment{h.state.Seq, h.clock})
		return nil
	case a.Tint != nil:
		return h.tint(ctx, a)
	case a.BringUp:
		return h.do(ctx, 30, pour.BroughtUp(s))
	case a.Reduce > 0:
		return h.reduce(ctx, a.Reduce)
	case a.Finish:
		rest := s.Left
		if s.Reduced == nil {
			rest = s.Contents()
		}
		return h.do(ctx, 1200, pour.Finished{Kept: gram.Of(rest.Grams() * a.Keep).Round(d), Note: a.Note})
	}
	return errors.New("an act of the story does nothing")
}

func (h *hand) tint(ctx context.Context, a act) error {
	var additions []pour.Addition
	for _, name := range sorted(a.Tint) {
		toner, ok := h.toners(name)
		if !ok {
			return fmt.Errorf("the tint %s is not on the shelf", name)
		}
		mass := gram.Of(h.state.Contents().Grams() * a.Tint[name]).Round(h.state.Plan.Balance.At(h.state.Last))
		additions = append(additions, pour.Addition{Component: pour.ComponentOf(toner, 0), Mass: mass})
	}
	tint, err := pour.TintWith(h.state, additions)
	if err != nil {
		return err
	}
	tint.Note = a.Note
	return h.do(ctx, 90, tint)
}

func (h *hand) reduce(ctx context.Context, part float64) error {
	r := pour.ReductionRequest{Ratio: h.state.Plan.Reduction}
	if part < 1 {
		r.Portion = &gram.Amount{Value: h.state.Colour().Grams() * part, Unit: gram.UnitGram}
	}
	reduced, _, err := pour.PlanReduction(h.state, r)
	if err != nil {
		return err
	}
	return h.do(ctx, 60, reduced)
}
