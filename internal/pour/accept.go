package pour

import (
	"fmt"
	"math"
	"time"

	"pourbook/internal/gram"
)

// Command is a wish to add an event. It carries what its originator had seen, so that a tap on an old picture is
// told from a tap on this one.
type Command struct {
	ID     string // becomes the event's ID
	Seen   int    // State.Decided that the originator had in front of them
	Epoch  int
	Device string
	By     string
	At     time.Time
	Body   Body
}

// Bench is the device name under which the bench itself accepts and holds readings.
const Bench = "bench"

// Reason says why a command was refused.
type Reason string

// The reasons.
const (
	Stale      Reason = "stale"      // something happened since the originator looked
	OldEpoch   Reason = "old_epoch"  // another device has taken over
	NotHolder  Reason = "not_holder" // another device pours
	NotNow     Reason = "not_now"    // it makes no sense in this state
	Impossible Reason = "impossible" // the grams cannot be right
)

// Refusal is a command that was not accepted. Its text is a plain sentence for the person at the bench.
type Refusal struct {
	Reason   Reason
	Sentence string
}

func (r *Refusal) Error() string { return r.Sentence }

func refuse(r Reason, format string, args ...any) error {
	return &Refusal{Reason: r, Sentence: fmt.Sprintf(format, args...)}
}

// Accept returns the events that a command becomes, without sequence numbers, or a *Refusal.
// The first event carries the command's ID; those that follow from it carry ID/2, ID/3.
func Accept(s State, c Command) ([]Event, error) {
	if err := s.mayAct(c); err != nil {
		return nil, err
	}
	bodies, err := s.consequences(c)
	if err != nil {
		return nil, err
	}
	epoch := s.Epoch
	if _, ok := c.Body.(TakenOver); ok {
		epoch++
	}
	events := make([]Event, 0, len(bodies))
	for i, b := range bodies {
		id := c.ID
		if i > 0 {
			id = fmt.Sprintf("%s/%d", c.ID, i+1)
		}
		events = append(events, Event{ID: id, Batch: s.Batch, At: c.At, By: c.By, Device: c.Device, Epoch: epoch, Body: b})
	}
	return events, nil
}

func (s State) mayAct(c Command) error {
	if c.ID == "" || c.Body == nil {
		return refuse(Impossible, "This tap came without a name of its own. Reload the page and tap again.")
	}
	if s.Ended() {
		return refuse(NotNow, "This batch is closed. Nothing can be added to it.")
	}
	if b, ok := c.Body.(TakenOver); ok {
		if c.Device == "" || c.Device == Bench || b.Device != c.Device {
			return refuse(Impossible, "A tablet can only take over for itself. Reload the page and try again.")
		}
		return nil
	}
	if c.Epoch > s.Epoch || c.Seen > s.Seq {
		return refuse(Impossible, "This tap belongs to another cup. Reload the page and tap again.")
	}
	if c.Epoch < s.Epoch {
		return refuse(OldEpoch, "%s has taken over this cup. Your tap was not booked.", s.holderName())
	}
	if c.Device == Bench && !benchMay(c.Body) || c.Device != s.Holder && c.Device != Bench {
		return refuse(NotHolder, "%s is pouring this cup. Take over first.", s.holderName())
	}
	if c.Seen < s.Decided {
		return refuse(Stale, "The cup has moved on since this screen was drawn. Look again, then tap.")
	}
	return nil
}

// benchMay reports whether the bench itself may ask for this: it keeps and accepts readings, and decides nothing.
func benchMay(b Body) bool {
	switch b := b.(type) {
	case Held:
		return true
	case Poured:
		return b.Auto
	}
	return false
}

func (s State) holderName() string {
	if s.Name == "" {
		return "Another tablet"
	}
	return s.Name
}

func (s State) consequences(c Command) ([]Body, error) {
	switch b := c.Body.(type) {
	case CupPlaced:
		return s.acceptCup(b)
	case Poured:
		return s.acceptPour(b)
	case Held:
		return s.acceptHeld(b)
	case LiftedOut:
		return s.acceptLift(b)
	case Reattributed:
		return s.acceptReattribution(b)
	case Corrected:
		return s.acceptCorrection(b)
	case TakenBack:
		last, ok := s.LastUndoable()
		if !ok || last.ID != b.Event {
			return nil, refuse(NotNow, "That can no longer be taken back.")
		}
		return []Body{b}, nil
	case Stirred:
		if n := s.Need(); n != NeedStir && n != NeedNext {
			return nil, refuse(NotNow, "Do not stir yet: pour the rest first.")
		}
		return []Body{b}, nil
	case Drawn:
		return s.acceptDraw(b)
	case PouredOff:
		return s.acceptPourOff(b)
	case Moved:
		return s.acceptMove(b)
	case Rezeroed:
		if !s.Placed {
			return nil, refuse(NotNow, "There is no cup on the scale yet.")
		}
		if s.NewCup != nil {
			return nil, refuse(NotNow, "The new cup is on the scale. Put it on again empty, then pour over.")
		}
		return []Body{b}, s.checkReading(b.Reading)
	case Found:
		return s.acceptFound(b)
	case Shaken:
		if s.Index(b.Key) < 0 {
			return nil, refuse(NotNow, "That toner is not in this batch.")
		}
		return []Body{b}, nil
	case TakenOver:
		if b.Device == s.Holder && (b.Name == "" || b.Name == s.Name) { // somebody else at the same tablet is a change of hands
			return nil, refuse(NotNow, "You hold this cup already.")
		}
		return []Body{b}, nil
	case Reduced:
		return s.acceptReduction(b)
	case Finished:
		if n := s.Need(); n != NeedNext {
			return nil, refuse(NotNow, "This cup is not finished: %s.", n.sentence(s))
		}
		if b.Kept < 0 || b.Kept > s.keepable() {
			return nil, refuse(Impossible, "More cannot be kept than the %s g without hardener.", s.show(s.keepable()))
		}
		return []Body{b}, nil
	case Abandoned:
		b.Discarded = s.Contents() + s.Left
		return []Body{b}, nil
	}
	return nil, refuse(Impossible, "Nobody knows what this tap means. Reload the page.")
}

func (n Need) sentence(s State) string {
	switch n {
	case NeedCup:
		return "the cup is not on the scale"
	case NeedPour:
		return s.Component(s.Todo[0].Key).Name + " is still to be poured"
	case NeedChoice:
		return "choose how to go on first"
	case NeedLift:
		return "paint is being lifted out"
	case NeedMove:
		return "it is being moved to a bigger cup"
	case NeedStir:
		return "stir it first"
	case NeedPourOff:
		return "pour some off first"
	}
	return "it is not ready for that"
}

func (s State) show(m gram.Mass) string { return m.Show(s.Plan.Balance.At(s.Last)) }

func (s State) checkReading(r gram.Mass) error {
	if top := s.Plan.Balance.Max; top > 0 && r > top {
		return refuse(Impossible, "%s g is more than this scale can carry.", s.show(r))
	}
	if r < 0 || r > gram.MaxMass {
		return refuse(Impossible, "%s g is no reading of a cup on a scale.", s.show(r))
	}
	return nil
}

func (s State) acceptCup(b CupPlaced) ([]Body, error) {
	if err := s.checkReading(b.Reading); err != nil {
		return nil, err
	}
	if n := s.Need(); n != NeedCup && n != NeedMove { // a wrong new cup may be changed for the right one
		return nil, refuse(NotNow, "There is a cup on the scale already.")
	}
	if !(b.Cup.Brim >= 0) || math.IsInf(b.Cup.Brim, 0) || b.Cup.Empty < 0 {
		return nil, refuse(Impossible, "The size of this cup is not a number of millilitres. Correct it on the shop's page.")
	}
	return []Body{b}, nil
}

func (s State) acceptPour(b Poured) ([]Body, error) {
	if err := s.checkReading(b.Reading); err != nil {
		return nil, err
	}
	step, ok := s.Open()
	if !ok {
		return nil, refuse(NotNow, "Nothing is to be poured now: %s.", s.Need().sentence(s))
	}
	if b.Step != step.No || b.Attempt != s.Attempt(step.No) {
		return nil, refuse(Stale, "This pour is booked already.")
	}
	b.Key = step.Key
	name, net := s.Component(step.Key).Name, b.Reading-s.Last
	division := s.Plan.Balance.At(b.Reading)
	short := step.Aim - net
	switch {
	case net < 0:
		return nil, refuse(Impossible, "The scale reads %s g less than before. Put the cup back, or say what was taken out.", s.show(-net))
	case step.Key == PaintKey && net > s.Left:
		return nil, refuse(Impossible, "%s g came in and only %s g were left in the mixing cup. Check the scale.", s.show(net), s.show(s.Left))
	case net == 0 && !b.More:
		return nil, refuse(Impossible, "Nothing has come in yet. Pour %s first.", name)
	case b.Auto && (short > division || -short > step.Tolerance):
		return nil, refuse(Impossible, "%s is not at its mark.", name)
	case !b.More && !b.Rest && short > step.Tolerance:
		return nil, refuse(Impossible, "%s is %s g short. Pour on, or leave the rest for the end.", name, s.show(short))
	}
	bodies := []Body{b}
	if s.activates(step.Key) {
		bodies = append(bodies, Activated{})
	}
	return bodies, nil
}

func (s State) acceptHeld(b Held) ([]Body, error) {
	step, ok := s.Open()
	if !ok || b.Step != step.No {
		return nil, refuse(Stale, "That step is done.")
	}
	if s.Held != nil && *s.Held == b.Reading {
		return nil, refuse(NotNow, "That reading is kept already.")
	}
	return []Body{b}, s.checkReading(b.Reading)
}

func (s State) acceptFound(b Found) ([]Body, error) {
	if n := s.Need(); n != NeedPour {
		return nil, refuse(NotNow, "What the cup weighs is asked for while something is poured: %s.", n.sentence(s))
	}
	if b.Reading.Abs() > gram.MaxMass || b.Before.Abs() > gram.MaxMass {
		return nil, refuse(Impossible, "%s g is no reading of a cup on a scale.", s.show(b.Reading))
	}
	fall := b.Before - b.Reading
	if b.Cause != CauseCup && fall == 0 {
		return nil, refuse(NotNow, "The cup weighs what it did. Nothing is to be booked.")
	}
	switch b.Cause {
	case CauseDisplay, CauseObject:
		b.Lost, b.Cup = 0, nil
	case CauseSolvent, CauseTaken:
		if fall < 0 {
			return nil, refuse(Impossible, "The cup is heavier than before, so nothing can have left it.")
		}
		if b.Lost, b.Cup = 0, nil; b.Cause == CauseTaken {
			b.Lost = fall
		}
	case CauseCup:
		if b.Cup == nil || !(b.Cup.Brim >= 0) || math.IsInf(b.Cup.Brim, 0) || b.Cup.Empty < 0 {
			return nil, refuse(Impossible, "Say which cup it is in now.")
		}
	default:
		return nil, refuse(Impossible, "Nobody knows what this tap means. Reload the page.")
	}
	if have := s.Contents(); b.Lost < 0 || b.Lost > 0 && b.Lost >= have || b.Cause == CauseSolvent && fall > have {
		return nil, refuse(Impossible, "The cup held %s g, so no more than that can have left it. Was the display zeroed?", s.show(have))
	}
	return []Body{b}, nil
}

func (s State) acceptLift(b LiftedOut) ([]Body, error) {
	if s.Need() != NeedLift {
		return nil, refuse(NotNow, "Say first that paint is to be lifted out.")
	}
	if !s.onTop() {
		return nil, refuse(NotNow, "It does not lie on top any more. Choose another way.")
	}
	top := s.Layers[len(s.Layers)-1]
	fall := s.Last - b.Reading
	if fall == 0 {
		return nil, refuse(Impossible, "The reading has not fallen yet. Lift some out, or choose another way.")
	}
	if fall < 0 {
		return nil, refuse(Impossible, "The reading has risen, not fallen. Nothing was lifted out.")
	}
	if fall > top.Mass {
		return nil, refuse(Impossible, "More came out than the %s g of %s on top, so other toners came with it. Pour nothing more; choose another way.", s.show(top.Mass), s.Component(top.Key).Name)
	}
	b.Key = top.Key
	return []Body{b}, nil
}

func (s State) acceptReattribution(b Reattributed) ([]Body, error) {
	if n := s.Need(); n != NeedChoice && n != NeedPour && n != NeedStir || s.Pending != "" {
		return nil, refuse(NotNow, "A pour can be named again before anything else is done with the cup.")
	}
	if len(s.Layers) == 0 || len(s.Done) == 0 || s.Layers[len(s.Layers)-1].Mixed {
		return nil, refuse(NotNow, "Nothing lies on top that could have been another toner.")
	}
	top := s.Layers[len(s.Layers)-1]
	last := s.Done[len(s.Done)-1]
	if last.Step.Key != top.Key || top.Key == PaintKey {
		return nil, refuse(NotNow, "Only the last pour can be named again.")
	}
	if b.To.Key == top.Key {
		return nil, refuse(NotNow, "That is what the book says it was.")
	}
	if i := s.Index(b.To.Key); i >= 0 {
		b.To = s.Components[i]
	} else {
		foreign, err := s.checkForeign([]Component{b.To})
		if err != nil {
			return nil, err
		}
		b.To = foreign[0]
	}
	if b.To.Key == PaintKey {
		return nil, refuse(Impossible, "Paint from the mixing cup is weighed in its own step.")
	}
	b.From, b.Mass = top.Key, min(last.Net, top.Mass)
	if b.Mass <= 0 {
		return nil, refuse(NotNow, "Nothing of the last pour is left to be named again.")
	}
	b.Step = Step{No: s.nextNo, Key: top.Key, Aim: s.owed(last, b.Mass), Tolerance: last.Step.Tolerance, Why: last.Step.Why}
	if b.Step.Aim <= 0 {
		b.Step = Step{}
	}
	bodies := []Body{b}
	if s.activates(b.To.Key) {
		bodies = append(bodies, Activated{})
	}
	return bodies, nil
}

// owed returns what is still to be poured of a component once its last pour turns out to have been another toner: what
// that pour had settled, and every later step of it.
func (s State) owed(last Done, mass gram.Mass) gram.Mass {
	later := gram.Mass(0)
	for _, t := range s.Todo {
		if t.Key == last.Step.Key {
			later += t.Aim
		}
	}
	switch {
	case s.Over != nil && s.Over.Key == last.Step.Key:
		return later + mass - s.Over.By
	case later > 0: // too much or too little of it went on to those
		return later + mass
	}
	return last.Step.Aim
}

func (s State) acceptDraw(b Drawn) ([]Body, error) {
	if s.Need() != NeedNext {
		return nil, refuse(NotNow, "Draw some off when the cup is full and stirred.")
	}
	m := b.Mass
	if b.Reading > 0 {
		m = s.Last - b.Reading
		b.Mass = m
	}
	if m <= 0 || m >= s.Contents() {
		return nil, refuse(Impossible, "Between 0 and %s g can be drawn off.", s.show(s.Contents()))
	}
	return []Body{b}, nil
}

func (s State) acceptPourOff(b PouredOff) ([]Body, error) {
	if s.Need() != NeedPourOff {
		return nil, refuse(NotNow, "Nothing is to be poured off now.")
	}
	m := s.Last - b.Reading
	if m <= 0 || m >= s.Contents() {
		return nil, refuse(Impossible, "The reading has not fallen by what was poured off.")
	}
	after := s.clone()
	if err := after.apply(Event{Body: b}); err != nil {
		return nil, refuse(Impossible, "%s", err)
	}
	return []Body{b, after.exactly()}, nil
}

func (s State) acceptMove(b Moved) ([]Body, error) {
	if s.Need() != NeedMove || s.NewCup == nil {
		return nil, refuse(NotNow, "Put the empty new cup on the scale first.")
	}
	b.Cup, b.Empty = s.NewCup.Cup, s.NewCup.Reading
	moved := b.Full - b.Empty
	if moved <= 0 || moved > s.Contents()+s.Plan.Balance.At(b.Full) {
		return nil, refuse(Impossible, "The new cup holds %s g; %s g were poured over. Empty it and try again.", s.show(moved), s.show(s.Contents()))
	}
	if moved > s.Contents() {
		b.Full = b.Empty + s.Contents() // within a division: the old cup came out clean
	}
	after := s.clone()
	if err := after.apply(Event{Body: b}); err != nil {
		return nil, refuse(Impossible, "%s", err)
	}
	if c, ok := after.rescaled(s.chosenThen(), s.Contents()-s.Discard); ok {
		return []Body{b, c}, nil
	}
	return []Body{b}, nil
}

// chosenThen returns what is to be done in the bigger cup.
func (s State) chosenThen() Choice {
	for i := len(s.live) - 1; i >= 0; i-- {
		if c, ok := s.live[i].Body.(Corrected); ok && c.Then != "" {
			return c.Then
		}
	}
	return CarryOn
}

// wanted returns the shares that the cup is to have, what is in of each, and where they are in Components: paint
// only, foreign toners left out. What is held back counts as not wanted yet.
func (s State) wanted() (shares []float64, poured []gram.Mass, at []int) {
	var sum gram.Mass
	for i, c := range s.Components {
		if want := c.want(); want > 0 {
			shares = append(shares, want.Grams())
			poured = append(poured, s.In[i])
			at = append(at, i)
			sum += want
		}
	}
	for j := range shares {
		shares[j] /= sum.Grams()
	}
	return shares, poured, at
}

// Tolerance returns how far a pour of m may be off without colour data: by the strength of the toner, and never
// less than one division.
func (s State) Tolerance(c Component, m gram.Mass) gram.Mass {
	return tolerance(c, m, s.Plan.Balance.At(s.Last))
}
