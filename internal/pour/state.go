package pour

import (
	"fmt"
	"math"
	"slices"
	"time"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

// State is one cup as it stands. It is a value: Apply returns a new one and leaves the old one alone.
type State struct {
	Batch   string
	Seq     int // of the last event
	Decided int // Seq of the last event that changes what a tap would mean; held readings do not
	Epoch   int
	Holder  string // device that pours
	Name    string // of the holder

	Plan       Planned
	Components []Component // planned, then foreign ones, then the parts of the reduction
	In         []gram.Mass // in the vessel now, by component
	Ever       []gram.Mass // ever poured in, less what was lifted out again, by component
	Total      gram.Mass   // of colour, when everything still to do is in
	Todo       []Step
	Done       []Done
	Layers     []Layer // from the bottom up, for the drawing

	Cup        Cup
	Placed     bool
	CupReading gram.Mass  // gross reading of the empty cup
	Last       gram.Mass  // last settled gross reading that was booked
	Held       *gram.Mass // reading found standing still in mid-step, not booked

	Over    *Over
	Pending Choice // decided and not yet done: lift_out, pour_off or bigger_cup
	Discard gram.Mass
	NewCup  *CupPlaced // the bigger cup, empty on the scale

	Stirred   bool // since the last pour
	Drawn     gram.Mass
	Tipped    gram.Mass // poured off, lifted out or left in an old cup
	GoneOff   gram.Mass // solvent that an open cup has lost: the reading knows, the toners do not
	Uncertain bool      // something was lifted out or taken unstirred, so one mass is an estimate

	Reduced     *Reduced
	Mix         []gram.Mass // composition of the colour at reduction, by component
	Left        gram.Mass   // colour left in the mixing cup when a share of it was taken to another
	ActivatedAt time.Time
	ShakenAt    map[Key]time.Time

	StartedAt time.Time
	StartedBy string
	EndedAt   time.Time
	Finish    *Finished
	GivenUp   *Abandoned

	live   []Event
	nos    []int       // nextNo before each event of live, so that folding without one of them gives the others their own numbers
	tries  map[int]int // pours booked per step, taken back ones included
	nextNo int
}

// Done is a pour that was booked.
type Done struct {
	Step    Step
	Event   string
	Net     gram.Mass
	Reading gram.Mass
	At      time.Time
	By      string
	Auto    bool
	Lot     string
}

// Layer is a band of the cup. Mixed layers have been stirred together and have no key.
type Layer struct {
	Key   Key
	Mass  gram.Mass
	Mixed bool
}

// Over says that more is in than its step allowed, or that something foreign is in. It waits for a decision.
type Over struct {
	Key       Key
	By        gram.Mass
	Aim       gram.Mass
	Net       gram.Mass
	Tolerance gram.Mass
	Foreign   bool
}

// Need is the one thing that has to happen next.
type Need string

// What may be needed.
const (
	NeedCup     Need = "cup"      // put the empty cup on
	NeedPour    Need = "pour"     // pour Todo[0]
	NeedChoice  Need = "choice"   // decide what to do about Over
	NeedLift    Need = "lift"     // lift out what is on top
	NeedMove    Need = "move"     // change to a bigger cup
	NeedStir    Need = "stir"     // stir
	NeedPourOff Need = "pour_off" // pour some off
	NeedNext    Need = "next"     // full and stirred: draw a card, tint, reduce or finish
	NeedNothing Need = "nothing"  // ended
)

// Need returns what has to happen next.
func (s State) Need() Need {
	switch {
	case s.Ended():
		return NeedNothing
	case s.Pending == BiggerCup:
		return NeedMove
	case !s.Placed:
		return NeedCup
	case s.Pending == LiftOut:
		return NeedLift
	case s.Over != nil:
		return NeedChoice
	case s.Pending == PourOff && s.Stirred:
		return NeedPourOff
	case s.Pending == PourOff:
		return NeedStir
	case len(s.Todo) > 0:
		return NeedPour
	case !s.Stirred:
		return NeedStir
	}
	return NeedNext
}

// Ended reports whether the batch was finished or given up.
func (s State) Ended() bool { return s.Finish != nil || s.GivenUp != nil }

// Open returns the step to pour now.
func (s State) Open() (Step, bool) {
	if s.Need() != NeedPour {
		return Step{}, false
	}
	return s.Todo[0], true
}

// Attempt returns the number of the next booking of a step, from 1.
func (s State) Attempt(step int) int { return s.tries[step] + 1 }

// NextNo returns a step number that this batch has not used.
func (s State) NextNo() int { return s.nextNo }

// Stop returns the gross reading at which the open step is done: the settled reading plus the toner's own grams,
// rounded once to what the display can show there.
func (s State) Stop() gram.Mass {
	if len(s.Todo) == 0 {
		return s.Last
	}
	return gram.Stop(s.Last, s.Todo[0].Aim, s.Plan.Balance)
}

// Index returns where a component is in Components, or -1.
func (s State) Index(k Key) int {
	return slices.IndexFunc(s.Components, func(c Component) bool { return c.Key == k })
}

// Component returns a component by its key; the zero value where the batch does not know it.
func (s State) Component(k Key) Component {
	if i := s.Index(k); i >= 0 {
		return s.Components[i]
	}
	return Component{Key: k, Name: string(k)}
}

// Contents returns what is in the vessel now.
func (s State) Contents() gram.Mass {
	var sum gram.Mass
	for _, m := range s.In {
		sum += m
	}
	return sum
}

// Colour returns the grams of paint in the vessel, without hardener and reducer.
func (s State) Colour() gram.Mass {
	var sum gram.Mass
	for i, m := range s.In {
		if s.Components[i].Colour() {
			sum += m
		}
	}
	return sum
}

// Recipe returns what the colour is made of as it was really poured: the components of the paint that have mass, and their grams.
func (s State) Recipe() ([]Component, []gram.Mass) {
	in := s.In
	if s.Mix != nil {
		in = s.Mix
	}
	var components []Component
	var grams []gram.Mass
	for i, m := range in {
		if m > 0 && s.Components[i].Colour() && s.Components[i].Key != PaintKey {
			components = append(components, s.Components[i])
			grams = append(grams, m)
		}
	}
	return components, grams
}

// LastUndoable returns the event that a "take back" would undo.
func (s State) LastUndoable() (Event, bool) {
	i := s.lastUndoable()
	if i < 0 {
		return Event{}, false
	}
	return s.live[i], true
}

func (s State) lastUndoable() int {
	for i := len(s.live) - 1; i >= 0; i-- {
		switch s.live[i].Body.Kind() {
		case KindHeld, KindTakenOver, KindShaken:
			continue // they book nothing
		case KindCorrected:
			if i > 0 {
				if k := s.live[i-1].Body.Kind(); k == KindPouredOff || k == KindMoved {
					return -1 // it belongs to the paint that is gone
				}
			}
			return i
		case KindPoured, KindLiftedOut, KindReattributed, KindReduced:
			return i
		default: // stirred, drawn, poured off, activated and the rest cannot be undone, nor anything before them
			return -1
		}
	}
	return -1
}

// PaintKey is the key of "paint from the mixing cup" where a share is weighed into a spray cup.
const PaintKey Key = "paint"

// Fold returns the state after a whole list of events, which must be complete and in order.
func Fold(events []Event) (State, error) {
	s := State{live: make([]Event, 0, len(events)), nos: make([]int, 0, len(events))}
	for _, e := range events {
		if err := s.next(e); err != nil {
			return State{}, err
		}
	}
	return s, nil
}

// Apply returns the state after one more event.
func (s State) Apply(e Event) (State, error) {
	n := s.clone()
	if err := n.next(e); err != nil {
		return State{}, err
	}
	return n, nil
}

// next changes a state that nobody else holds.
func (s *State) next(e Event) error {
	if s.Seq == 0 {
		if _, ok := e.Body.(Planned); !ok {
			return fmt.Errorf("pour: batch %s opens with %s, not with a plan", e.Batch, e.Body.Kind())
		}
	}
	if e.Seq != s.Seq+1 {
		return fmt.Errorf("pour: event %d of batch %s follows event %d", e.Seq, e.Batch, s.Seq)
	}
	if back, ok := e.Body.(TakenBack); ok {
		n, err := s.takeBack(e, back)
		if err != nil {
			return err
		}
		*s = n
		return nil
	}
	no := s.nextNo
	if err := s.apply(e); err != nil {
		return fmt.Errorf("pour: event %d (%s) of batch %s: %w", e.Seq, e.Body.Kind(), e.Batch, err)
	}
	s.live, s.nos = append(s.live, e), append(s.nos, no)
	s.stamp(e)
	return nil
}

func (s *State) stamp(e Event) {
	s.Seq = e.Seq
	if e.Body.Kind() != KindHeld {
		s.Decided = e.Seq
	}
}

func (s State) clone() State {
	s.Components = slices.Clone(s.Components)
	s.In = slices.Clone(s.In)
	s.Ever = slices.Clone(s.Ever)
	s.Todo = slices.Clone(s.Todo)
	s.Layers = slices.Clone(s.Layers)
	s.Done = slices.Clip(s.Done)
	s.live, s.nos = slices.Clip(s.live), slices.Clip(s.nos)
	if s.Over != nil {
		over := *s.Over
		s.Over = &over
	}
	return s
}

// takeBack folds again without the undone event. Its paint cannot be un-poured: the reading is kept as found in the
// cup, so that it belongs to whatever is booked next.
func (s State) takeBack(e Event, back TakenBack) (State, error) {
	i := s.lastUndoable()
	if i < 0 || s.live[i].ID != back.Event {
		return State{}, fmt.Errorf("pour: event %d of batch %s takes back %s, which is not the last that can be", e.Seq, e.Batch, back.Event)
	}
	var n State
	for j, old := range s.live {
		if j == i || j > i && old.Body.Kind() == KindHeld {
			continue
		}
		old.Seq = n.Seq + 1
		n.nextNo = max(n.nextNo, s.nos[j])
		if err := n.next(old); err != nil {
			return State{}, err
		}
	}
	found := s.Last
	if s.Held != nil && *s.Held > found {
		found = *s.Held
	}
	if found != n.Last { // kept among the live events too, since a later shift of the display starts from it
		held := Event{ID: e.ID, Batch: e.Batch, Seq: n.Seq + 1, At: e.At, By: e.By, Device: e.Device, Epoch: e.Epoch, Body: Held{Reading: found}}
		if err := n.next(held); err != nil {
			return State{}, err
		}
		s.live = append(slices.Clip(s.live), e)
	}
	n.tries, n.nextNo = s.tries, max(s.nextNo, n.nextNo)
	n.live = restoreSeq(n.live, s.live)
	n.stamp(e)
	return n, nil
}

// restoreSeq gives the kept events their own sequence numbers again; folding renumbered them.
func restoreSeq(kept, original []Event) []Event {
	seq := make(map[string]int, len(original))
	for _, e := range original {
		seq[e.ID] = e.Seq
	}
	for i := range kept {
		kept[i].Seq = seq[kept[i].ID]
	}
	return kept
}

func (s *State) apply(e Event) error {
	switch b := e.Body.(type) {
	case Planned:
		s.plan(e, b)
	case CupPlaced:
		if s.Pending == BiggerCup {
			s.NewCup = &b
			return nil
		}
		s.Placed, s.Cup, s.CupReading, s.Last, s.Held = true, b.Cup, b.Reading, b.Reading, nil
	case Poured:
		return s.pour(e, b)
	case Held:
		r := b.Reading
		s.Held = &r
	case LiftedOut:
		return s.liftOut(b)
	case Reattributed:
		return s.reattribute(b)
	case Corrected:
		s.correct(b)
	case Stirred:
		s.stir()
	case Drawn:
		m := b.Mass
		if b.Reading > 0 {
			m = s.Last - b.Reading
		}
		colour := s.Colour()
		if err := s.takeOff(m); err != nil {
			return err
		}
		s.Drawn += m
		s.Total -= colour - s.Colour()
	case PouredOff:
		m := s.Last - b.Reading
		if err := s.takeOff(m); err != nil {
			return err
		}
		s.Tipped += m
		s.Pending, s.Discard = "", 0
	case Moved:
		m := s.Contents() - (b.Full - b.Empty)
		if err := s.takeOff(m); err != nil {
			return err
		}
		s.Tipped += m
		s.stirLayers()
		s.Cup, s.CupReading, s.Last, s.Held = b.Cup, b.Empty, b.Full, nil
		s.Pending, s.NewCup, s.Placed = "", nil, true
	case Rezeroed:
		s.rezero(b)
	case Found:
		return s.find(b)
	case Shaken:
		shaken := make(map[Key]time.Time, len(s.ShakenAt)+1)
		for k, t := range s.ShakenAt {
			shaken[k] = t
		}
		shaken[b.Key] = e.At
		s.ShakenAt = shaken
	case TakenOver:
		s.Epoch++
		s.Holder, s.Name = b.Device, b.Name
	case Reduced:
		s.reduce(b)
	case Activated:
		s.ActivatedAt = e.At
	case Finished:
		s.Finish, s.EndedAt = &b, e.At
	case Abandoned:
		s.GivenUp, s.EndedAt = &b, e.At
	default:
		return fmt.Errorf("nobody knows what %T means", b)
	}
	return nil
}

func (s *State) plan(e Event, b Planned) {
	s.Batch, s.Plan, s.Total, s.Cup = e.Batch, b, b.Total, b.Cup
	s.Epoch, s.Holder, s.Name = 1, e.Device, e.By
	s.StartedAt, s.StartedBy = e.At, e.By
	s.Components = slices.Clone(b.Components)
	s.In = make([]gram.Mass, len(b.Components))
	s.Ever = make([]gram.Mass, len(b.Components))
	s.setTodo(b.Steps)
}

func (s *State) setTodo(steps []Step) {
	s.Todo = slices.Clone(steps)
	for _, step := range steps {
		s.nextNo = max(s.nextNo, step.No+1)
	}
	s.nextNo = max(s.nextNo, 1)
}

func (s *State) add(c Component) int {
	if i := s.Index(c.Key); i >= 0 {
		return i
	}
	s.Components = append(s.Components, c)
	s.In = append(s.In, 0)
	s.Ever = append(s.Ever, 0)
	if s.Mix != nil {
		s.Mix = append(slices.Clip(s.Mix), 0)
	}
	return len(s.Components) - 1
}

func (s *State) pour(e Event, b Poured) error {
	if len(s.Todo) == 0 || s.Todo[0].No != b.Step || s.Todo[0].Key != b.Key {
		return fmt.Errorf("step %d (%s) is not open", b.Step, b.Key)
	}
	i := s.Index(b.Key)
	net := b.Reading - s.Last
	if i < 0 || net < 0 {
		return fmt.Errorf("a pour of %v of %s cannot be booked", net, b.Key)
	}
	step := s.Todo[0]
	s.In[i] += net
	s.Ever[i] += net
	if b.Key == PaintKey {
		s.Left -= net
	}
	if n := len(s.Layers); n > 0 && s.Layers[n-1].Key == b.Key && !s.Layers[n-1].Mixed {
		s.Layers[n-1].Mass += net
	} else if net > 0 {
		s.Layers = append(s.Layers, Layer{Key: b.Key, Mass: net})
	}
	s.Last, s.Held, s.Stirred = b.Reading, nil, false
	tries := make(map[int]int, len(s.tries)+1)
	for k, v := range s.tries {
		tries[k] = v
	}
	tries[b.Step]++
	s.tries = tries
	s.Done = append(s.Done, Done{Step: step, Event: e.ID, Net: net, Reading: b.Reading, At: e.At, By: e.By, Auto: b.Auto, Lot: b.Lot})

	excess := net - step.Aim
	if b.More && excess < 0 {
		s.Todo[0].Aim -= net
		return nil
	}
	s.Todo = s.Todo[1:]
	s.settle(step, net, excess)
	return nil
}

// settle carries what a finished step poured beyond (or short of) its aim to the later pours of the same toner,
// and where there are none decides whether it is over or leaves a rest for the end.
func (s *State) settle(step Step, net, excess gram.Mass) {
	if j := slices.IndexFunc(s.Todo, func(t Step) bool { return t.Key == step.Key }); j >= 0 && excess != 0 {
		if s.Todo[j].Aim > excess {
			s.Todo[j].Aim -= excess
			return
		}
		excess -= s.Todo[j].Aim
		s.Todo = slices.Delete(s.Todo, j, j+1)
	}
	switch {
	case excess > step.Tolerance:
		s.Over = &Over{Key: step.Key, By: excess, Aim: step.Aim, Net: net, Tolerance: step.Tolerance}
	case excess < -step.Tolerance:
		s.Todo = append(s.Todo, Step{No: s.nextNo, Key: step.Key, Aim: -excess, Tolerance: step.Tolerance, Why: WhyRest})
		s.nextNo++
	}
}

func (s *State) liftOut(b LiftedOut) error {
	i, n := s.Index(b.Key), len(s.Layers)
	fall := s.Last - b.Reading
	if i < 0 || n == 0 || s.Layers[n-1].Key != b.Key || fall < 0 || fall > s.Layers[n-1].Mass {
		return fmt.Errorf("%v of %s does not lie on top", fall, b.Key)
	}
	s.In[i] -= fall
	s.Ever[i] -= fall
	if s.Layers[n-1].Mass -= fall; s.Layers[n-1].Mass == 0 {
		s.Layers = s.Layers[:n-1]
	}
	s.Last, s.Held, s.Pending, s.Uncertain = b.Reading, nil, "", true
	s.Tipped += fall
	if s.Over == nil {
		return nil
	}
	over := *s.Over
	s.Over = nil
	s.settle(Step{Key: b.Key, Aim: over.Aim, Tolerance: over.Tolerance}, over.Net-fall, over.By-fall)
	if s.Over != nil {
		s.Over.Foreign = over.Foreign
	}
	return nil
}

func (s *State) reattribute(b Reattributed) error {
	from, n := s.Index(b.From), len(s.Layers)
	if from < 0 || s.In[from] < b.Mass || n == 0 || s.Layers[n-1].Key != b.From || s.Layers[n-1].Mass < b.Mass {
		return fmt.Errorf("%v of %s cannot have been another toner", b.Mass, b.From)
	}
	to := s.add(b.To)
	s.In[from] -= b.Mass
	s.In[to] += b.Mass
	s.Ever[from] -= b.Mass
	s.Ever[to] += b.Mass
	s.Layers[n-1].Mass -= b.Mass
	if s.Layers[n-1].Mass == 0 {
		s.Layers = s.Layers[:n-1]
	}
	s.Layers = append(s.Layers, Layer{Key: b.To.Key, Mass: b.Mass})
	s.Over = nil
	if b.Step.Aim > 0 {
		s.Todo = slices.DeleteFunc(s.Todo, func(t Step) bool { return t.Key == b.From })
		s.Todo = slices.Insert(s.Todo, 0, b.Step)
		s.nextNo = max(s.nextNo, b.Step.No+1)
	}
	if s.Components[to].Goal == 0 {
		s.Over = &Over{Key: b.To.Key, By: b.Mass, Net: b.Mass, Foreign: true}
		return nil
	}
	excess := b.Mass
	for j := 0; j < len(s.Todo) && excess > 0; {
		if s.Todo[j].Key != b.To.Key {
			j++
			continue
		}
		if s.Todo[j].Aim > excess {
			s.Todo[j].Aim -= excess
			return nil
		}
		excess -= s.Todo[j].Aim
		s.Todo = slices.Delete(s.Todo, j, j+1)
	}
	if excess > 0 {
		s.Over = &Over{Key: b.To.Key, By: excess, Aim: b.Mass - excess, Net: b.Mass}
	}
	return nil
}

func (s *State) correct(b Corrected) {
	for _, c := range b.Foreign {
		s.add(c)
	}
	s.setTodo(b.Steps)
	s.Pending, s.Discard = "", 0
	if b.Choice == LiftOut || b.Choice == PourOff || b.Choice == BiggerCup {
		s.Pending, s.Discard = b.Choice, b.Discard
	}
	if b.Choice == LiftOut { // what is over stays over until the reading has fallen
		return
	}
	s.Over = nil
	s.Total = b.Total
	switch b.Choice {
	case Tint: // from here on the cup is to be what the tint makes of it
		for i, c := range s.Components {
			if c.Colour() {
				s.Components[i].Goal, s.Components[i].Held = s.In[i], 0
			}
		}
		for _, step := range b.Steps {
			if i := s.Index(step.Key); i >= 0 {
				s.Components[i].Goal += step.Aim
			}
		}
	case BringUp:
		for i := range s.Components {
			s.Components[i].Held = 0
		}
	}
}

// rezero shifts every kept reading, so that the new display stands for the same cup.
func (s *State) rezero(b Rezeroed) {
	known := s.Last
	if s.Held != nil {
		known = *s.Held
	}
	shift := b.Reading - known
	s.CupReading += shift
	s.Last += shift
	if s.Held != nil {
		r := b.Reading
		s.Held = &r
	}
}

// find shifts every kept reading by what the display shows more or less, once the paint that is lost is taken off.
func (s *State) find(b Found) error {
	held := s.Held
	if b.Lost != 0 {
		if len(s.Layers) > 1 { // nobody knows which of the toners it was
			s.Uncertain = true
		}
		before := s.Contents()
		if err := s.takeOff(b.Lost); err != nil {
			return err
		}
		s.Tipped += b.Lost
		s.shrink(float64(before-b.Lost) / float64(before))
	}
	shift := b.Reading - b.Before + b.Lost
	s.CupReading += shift
	s.Last += shift
	if held != nil {
		r := *held - b.Lost + shift
		s.Held = &r
	}
	switch b.Cause {
	case CauseSolvent:
		s.GoneOff += b.Before - b.Reading
	case CauseCup:
		s.Cup = *b.Cup
	}
	return nil
}

// shrink makes what is still to be poured fit a cup that has lost some of everything, so that the shares stay.
func (s *State) shrink(to float64) {
	for i, step := range s.Todo {
		s.Todo[i].Aim = max(1, gram.Mass(math.Round(float64(step.Aim)*to)))
	}
	s.Total = gram.Mass(math.Round(float64(s.Total) * to))
}

func (s *State) stir() {
	s.Stirred = true
	s.stirLayers()
}

func (s *State) stirLayers() {
	if sum := s.Contents(); sum > 0 {
		s.Layers = []Layer{{Mass: sum, Mixed: true}}
	}
}

// takeOff removes m of the mixed contents, every component in its share, summing to the milligram.
func (s *State) takeOff(m gram.Mass) error {
	have := s.Contents()
	if m < 0 || m > have {
		return fmt.Errorf("%v cannot be taken from a cup that holds %v", m, have)
	}
	if have == 0 {
		return nil
	}
	kept := gram.SplitLargest(shares(s.In, have), have-m)
	copy(s.In, kept)
	s.Last -= m
	s.Held = nil
	s.stirLayers()
	return nil
}

func shares(in []gram.Mass, sum gram.Mass) []float64 {
	w := make([]float64, len(in))
	for i, m := range in {
		w[i] = float64(m) / float64(sum)
	}
	return w
}

func (s *State) reduce(b Reduced) {
	s.Reduced = &b
	s.Mix = slices.Clone(s.In)
	if b.NewCup {
		s.Left = s.Contents()
		for i := range s.In {
			s.In[i] = 0
		}
		s.Layers, s.Placed, s.Stirred = nil, false, false
		s.add(Component{Key: PaintKey, Name: "Paint from the cup", Role: formula.Binder, Goal: b.Portion})
	}
	for _, c := range b.Parts {
		s.add(c)
	}
	s.setTodo(b.Steps)
}
