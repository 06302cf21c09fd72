package pour

import (
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// mixer is a hand at the bench: it sends commands and keeps the events as a store would.
type mixer struct {
	s      State
	events []Event
	n      int
	device string
}

func g(v float64) gram.Mass { return gram.Of(v) }

// lines is a formula of four toners and a pearl, 1000 g.
func lines() []formula.Line {
	line := func(id int64, name string, grams float64, k formula.Kind, s formula.Strength) formula.Line {
		return formula.Line{Mass: g(grams), Toner: formula.Toner{ID: id, Name: name, System: "Solvent base", Kind: k, Strength: s, Density: 1.1, PerLitre: 4000}}
	}
	return []formula.Line{
		line(1, "Chalk", 700, formula.Solid, formula.Weak), line(2, "Delft", 240, formula.Solid, formula.Medium),
		line(3, "Soot", 50, formula.Solid, formula.Strong), line(4, "Ochre", 10, formula.Solid, formula.Strong),
	}
}

func request() Request {
	return Request{
		Title: "Pistachio gate", System: "Solvent base", Lines: lines(), Amount: gram.Amount{Value: 500, Unit: gram.UnitGram},
		Balance: gram.Balance{Division: tenth, Max: 5 * gram.Kilogram}, Cup: Cup{Name: "1 l", Brim: 1000, Empty: g(20)},
		Reduction: twoToOne(), PotLife: 2 * time.Hour, Limit: 0.3,
	}
}

func twoToOne() *formula.Ratio {
	return &formula.Ratio{Paint: 2, By: "volume", Parts: []formula.Part{
		{Name: "hardener", Kind: formula.Hardener, Parts: 1, Density: 1.05}, {Name: "reducer", Kind: formula.Reducer, Parts: 0.5, Density: 0.85},
	}}
}

func newMixer(t require.TestingT, r Request) *mixer {
	plan, _, err := NewPlan(r)
	require.NoError(t, err)
	m := &mixer{device: "tablet"}
	e := Event{ID: "e1", Batch: "b1", Seq: 1, At: noon, By: "Ann", Device: "tablet", Epoch: 1, Body: plan}
	m.s, err = State{}.Apply(e)
	require.NoError(t, err)
	m.events = append(m.events, e)
	return m
}

func (m *mixer) command(b Body) Command {
	m.n++
	return Command{ID: fmt.Sprintf("c%d", m.n), Seen: m.s.Decided, Epoch: m.s.Epoch, Device: m.device, By: "Ann", At: noon.Add(time.Duration(m.n) * time.Minute), Body: b}
}

func (m *mixer) send(c Command) error {
	events, err := Accept(m.s, c)
	if err != nil {
		return err
	}
	s := m.s
	for i := range events {
		events[i].Seq = s.Seq + 1
		if s, err = s.Apply(events[i]); err != nil {
			return fmt.Errorf("accepted, but it cannot be applied: %w", err)
		}
	}
	m.s, m.events = s, append(m.events, events...)
	return nil
}

func (m *mixer) try(b Body) error { return m.send(m.command(b)) }

func (m *mixer) do(t require.TestingT, b Body) {
	require.NoError(t, m.try(b), "%s", b.Kind())
}

func (m *mixer) place(t require.TestingT) { m.do(t, CupPlaced{Reading: g(20), Cup: m.s.Plan.Cup}) }

// pour books net grams in the open step.
func (m *mixer) pour(t require.TestingT, net gram.Mass) {
	require.NoError(t, m.tryPour(net, Poured{}))
}

func (m *mixer) tryPour(net gram.Mass, b Poured) error {
	step, ok := m.s.Open()
	if !ok {
		return errors.New("nothing is to be poured")
	}
	b.Step, b.Attempt, b.Reading = step.No, m.s.Attempt(step.No), m.s.Last+net
	return m.try(b)
}

// rest pours everything that is to do, to the milligram.
func (m *mixer) rest(t require.TestingT) {
	for m.s.Need() == NeedPour {
		m.pour(t, m.s.Todo[0].Aim)
	}
}

func refusal(t *testing.T, err error, r Reason) string {
	t.Helper()
	var no *Refusal
	require.True(t, errors.As(err, &no), "refused, not %v", err)
	assert.Equal(t, r, no.Reason, no.Sentence)
	return no.Sentence
}

func TestWholeBatch(t *testing.T) {
	m := newMixer(t, request())
	assert.Equal(t, NeedCup, m.s.Need())
	m.place(t)
	assert.Equal(t, g(370), m.s.Stop())
	m.rest(t)
	assert.Equal(t, NeedStir, m.s.Need())
	assert.Equal(t, g(500), m.s.Contents())
	m.do(t, Stirred{})
	assert.Equal(t, NeedNext, m.s.Need())
	m.do(t, Drawn{Reading: g(470)})
	assert.Equal(t, g(50), m.s.Drawn)
	assert.Equal(t, g(450), m.s.Contents())
	red, rows, err := PlanReduction(m.s, ReductionRequest{Ratio: twoToOne(), Portion: &gram.Amount{Value: 220, Unit: gram.UnitMl}})
	require.NoError(t, err)
	assert.Equal(t, g(242), red.Portion)
	require.Len(t, rows, 3)
	assert.Equal(t, g(115.5), rows[1].Mass, "110 ml of 1.05")
	assert.Equal(t, g(46.75), rows[2].Mass, "55 ml of 0.85")
	assert.Equal(t, g(242+115.5+46.75), rows[2].Running)
	m.do(t, red)
	assert.Equal(t, NeedCup, m.s.Need())
	m.do(t, CupPlaced{Reading: g(15), Cup: Cup{Name: "600 ml", Brim: 600}})
	m.pour(t, g(242))
	assert.True(t, m.s.ActivatedAt.IsZero())
	m.pour(t, g(115.5))
	assert.False(t, m.s.ActivatedAt.IsZero())
	m.pour(t, g(46.8))
	m.do(t, Stirred{})
	refusal(t, m.try(Finished{Kept: g(300)}), Impossible)
	m.do(t, Finished{Kept: g(208)})
	assert.Equal(t, NeedNothing, m.s.Need())
	refusal(t, m.try(Stirred{}), NotNow)
	checkConservation(t, m.events, m.s)
	components, grams := m.s.Recipe()
	require.Len(t, components, 4)
	assert.Equal(t, g(450), gram.Sum(grams))
}

// checkConservation: contents + left + drawn + tipped = everything ever poured and not taken back.
func checkConservation(t require.TestingT, events []Event, s State) {
	var in, paint gram.Mass
	for _, d := range s.Done {
		if d.Step.Key == PaintKey {
			paint += d.Net // from one cup into the other
			continue
		}
		in += d.Net
	}
	assert.Equal(t, in, s.Contents()+s.Left+s.Drawn+s.Tipped, "after %d events", len(events))
	for i, m := range s.In {
		assert.GreaterOrEqual(t, m, gram.Mass(0), s.Components[i].Name)
	}
	if s.Mix == nil {
		assert.Zero(t, paint)
	}
	assert.GreaterOrEqual(t, s.Left, gram.Mass(0))
	var bands gram.Mass
	for _, l := range s.Layers {
		bands += l.Mass
	}
	assert.Equal(t, s.Contents(), bands, "the drawing shows what is in")
	if s.Placed {
		assert.Equal(t, s.Contents(), s.Last-s.CupReading, "the reading is the cup and what is in it")
	}
}

func TestOvershootAtTheBench(t *testing.T) {
	m := newMixer(t, request())
	m.place(t)
	m.pour(t, g(350))
	m.pour(t, g(120))
	m.pour(t, g(27))
	require.NotNil(t, m.s.Over)
	assert.Equal(t, g(2), m.s.Over.By)
	assert.Equal(t, NeedChoice, m.s.Need())
	refusal(t, m.tryPourAnyway(g(5)), NotNow)
	options := Choices(m.s, Shop{}, nil)
	checkOptionsAtBench(t, m.s, options)
	exact := pick(t, options, Exact)
	assert.Equal(t, g(540), exact.Final)
	m.do(t, exact.Corrected())
	assert.Nil(t, m.s.Over)
	assert.Equal(t, Key("t4"), m.s.Todo[0].Key, "still to come first, then one pass of topping up")
	m.rest(t)
	assert.Equal(t, g(540), m.s.Contents())
	assert.Equal(t, g(540), m.s.Total)
	m.do(t, Stirred{})
	checkConservation(t, m.events, m.s)
}

func (m *mixer) tryPourAnyway(net gram.Mass) error {
	return m.try(Poured{Step: 4, Attempt: 1, Reading: m.s.Last + net})
}

func checkOptionsAtBench(t *testing.T, s State, options []Option) {
	for _, o := range options {
		n := s.clone()
		n.live, n.nos = s.live, s.nos
		_, err := Accept(n, Command{ID: "x", Seen: s.Decided, Epoch: s.Epoch, Device: s.Holder, Body: o.Corrected()})
		assert.NoError(t, err, "%s is offered and accepted", o.Choice)
	}
}

func TestLiftOut(t *testing.T) {
	m := newMixer(t, request())
	m.place(t)
	m.pour(t, g(350))
	m.pour(t, g(120))
	m.pour(t, g(27))
	refusal(t, m.try(LiftedOut{Reading: g(515)}), NotNow)
	m.do(t, pick(t, Choices(m.s, Shop{}, nil), LiftOut).Corrected())
	assert.Equal(t, NeedLift, m.s.Need())
	refusal(t, m.try(LiftedOut{Reading: g(517.5)}), Impossible)
	refusal(t, m.try(LiftedOut{Reading: g(480)}), Impossible)
	refusal(t, m.try(LiftedOut{Reading: math.MinInt64}), Impossible)
	m.do(t, LiftedOut{Reading: g(516)})
	require.NotNil(t, m.s.Over, "1 g is still over")
	m.do(t, pick(t, Choices(m.s, Shop{}, nil), LiftOut).Corrected())
	m.do(t, LiftedOut{Reading: g(515)})
	assert.Nil(t, m.s.Over)
	assert.True(t, m.s.Uncertain)
	assert.Equal(t, g(2), m.s.Tipped)
	m.rest(t)
	assert.Equal(t, g(500), m.s.Contents())
	checkConservation(t, m.events, m.s)
}

func TestPourOff(t *testing.T) {
	m := newMixer(t, request())
	m.place(t)
	m.pour(t, g(350))
	m.pour(t, g(120))
	m.pour(t, g(27))
	off := pick(t, Choices(m.s, Shop{}, nil), PourOff)
	m.do(t, off.Corrected())
	assert.Equal(t, NeedStir, m.s.Need(), "on the bench the stir comes first")
	m.do(t, Stirred{})
	assert.Equal(t, NeedPourOff, m.s.Need())
	refusal(t, m.try(PouredOff{Reading: m.s.Last}), Impossible)
	refusal(t, m.try(PouredOff{Reading: math.MinInt64}), Impossible)
	refusal(t, m.try(PouredOff{Reading: math.MaxInt64}), Impossible)
	m.do(t, PouredOff{Reading: m.s.Last - off.Discard})
	_, ok := m.s.LastUndoable()
	assert.False(t, ok, "what follows from pouring off cannot be taken back alone")
	m.rest(t)
	assert.InDelta(t, 500, m.s.Contents().Grams(), 0.003)
	for i, c := range m.s.Components {
		assert.InDelta(t, c.Goal.Grams(), m.s.In[i].Grams(), 0.003, c.Name)
	}
	checkConservation(t, m.events, m.s)
}

func TestBiggerCup(t *testing.T) {
	r := request()
	r.Cup, r.Reduction = Cup{Name: "small", Brim: 545, Empty: g(20)}, nil // to 85 %, 1.1 g/ml: 509 g
	m := newMixer(t, r)
	m.place(t)
	m.pour(t, g(350))
	m.pour(t, g(120))
	m.pour(t, g(29))
	options := Choices(m.s, Shop{Cups: []Cup{{Name: "small", Brim: 545}, {Name: "large", Brim: 2000, Empty: g(60)}}}, nil)
	assert.False(t, pick(t, options, Exact).Fits)
	bigger := pick(t, options, BiggerCup)
	require.NotNil(t, bigger.Cup)
	assert.Equal(t, "large", bigger.Cup.Name)
	m.do(t, bigger.Corrected())
	refusal(t, m.try(Moved{Full: g(600)}), NotNow)
	m.do(t, CupPlaced{Reading: g(55), Cup: Cup{Name: "wrong one"}})
	m.do(t, CupPlaced{Reading: g(60), Cup: *bigger.Cup})
	refusal(t, m.try(Rezeroed{Reading: 0}), NotNow)
	refusal(t, m.try(Moved{Full: g(60 + 520)}), Impossible)
	refusal(t, m.try(Moved{Full: math.MinInt64}), Impossible)
	todo := m.s.Todo[0].Aim
	m.do(t, Moved{Full: g(60 + 479)}) // 20 g stayed behind, not 4
	assert.Equal(t, "large", m.s.Cup.Name)
	assert.Equal(t, g(20), m.s.Tipped)
	assert.InDelta(t, todo.Grams()*479/495, m.s.Todo[0].Aim.Grams(), 0.002, "scaled to what arrived")
	m.rest(t)
	m.do(t, Stirred{})
	checkConservation(t, m.events, m.s)
}

func TestWrongToner(t *testing.T) {
	m := newMixer(t, request())
	m.place(t)
	m.pour(t, g(350))
	m.pour(t, g(120))
	green := Component{Key: "t9", TonerID: 9, Name: "Moss", Role: formula.Solid, Goal: g(500), Held: g(3)} // a forged goal is not believed
	m.do(t, Reattributed{To: green})
	require.NotNil(t, m.s.Over)
	assert.True(t, m.s.Over.Foreign)
	assert.Zero(t, m.s.Component("t9").Goal)
	assert.Equal(t, g(120), m.s.In[m.s.Index("t9")])
	assert.Zero(t, m.s.In[m.s.Index("t2")])
	assert.Equal(t, Key("t2"), m.s.Todo[0].Key)
	assert.Equal(t, g(120), m.s.Todo[0].Aim)
	checkOptionsAtBench(t, m.s, Choices(m.s, Shop{}, nil))
	last, ok := m.s.LastUndoable()
	require.True(t, ok)
	m.do(t, TakenBack{Event: last.ID})
	assert.Nil(t, m.s.Over)
	assert.Equal(t, g(120), m.s.In[m.s.Index("t2")])
	refusal(t, m.try(Reattributed{To: Component{Key: PaintKey}}), Impossible)
	refusal(t, m.try(Reattributed{To: Component{Key: "t8", Name: "Moss", Density: math.NaN()}}), Impossible)
	refusal(t, m.try(Reattributed{To: Component{Key: "t2"}}), NotNow)
	// It was ochre: a toner of the formula, and far too much of it.
	m.do(t, Reattributed{To: Component{Key: "t4"}})
	require.NotNil(t, m.s.Over)
	assert.False(t, m.s.Over.Foreign)
	assert.Equal(t, g(115), m.s.Over.By)
	checkConservation(t, m.events, m.s)
}

// A wetting pour that turns out to be another toner leaves the whole base still to do.
func TestWrongTonerInWettingPour(t *testing.T) {
	r := request()
	r.SafeOrder = true
	m := newMixer(t, r)
	m.place(t)
	step, _ := m.s.Open()
	require.Equal(t, WhyWetting, step.Why)
	m.pour(t, step.Aim+g(1))
	m.do(t, Reattributed{To: Component{Key: "t9", Name: "Moss", Role: formula.Solid}})
	var base gram.Mass
	for _, s := range m.s.Todo {
		if s.Key == step.Key {
			base += s.Aim
		}
	}
	assert.Equal(t, g(350), base)
}

func TestTakeBack(t *testing.T) {
	m := newMixer(t, request())
	m.place(t)
	_, ok := m.s.LastUndoable()
	assert.False(t, ok, "the cup cannot be un-placed")
	m.pour(t, g(350))
	first, _ := m.s.LastUndoable()
	m.pour(t, g(120))
	refusal(t, m.try(TakenBack{Event: first.ID}), NotNow)
	last, _ := m.s.LastUndoable()
	before := m.s.Attempt(2)
	m.do(t, TakenBack{Event: last.ID})
	assert.Equal(t, before, m.s.Attempt(2), "the number of an attempt is never used again")
	require.NotNil(t, m.s.Held)
	assert.Equal(t, g(490), *m.s.Held, "its mass stays in the cup, unassigned")
	assert.Equal(t, g(350), m.s.Contents())
	m.do(t, Poured{Step: 2, Attempt: 2, Reading: g(490)})
	m.rest(t)
	m.do(t, Stirred{})
	_, ok = m.s.LastUndoable()
	assert.False(t, ok, "never across a stir")
	refusal(t, m.try(TakenBack{Event: last.ID}), NotNow)
	checkConservation(t, m.events, m.s)
}

// The number that a rest got while a correction stood must be the same when something after it is taken back.
func TestTakeBackKeepsStepNumbers(t *testing.T) {
	m := newMixer(t, request())
	m.place(t)
	m.pour(t, g(350))
	m.pour(t, g(120))
	m.pour(t, g(28))
	m.do(t, pick(t, Choices(m.s, Shop{}, nil), Exact).Corrected()) // uses new numbers …
	e, _ := m.s.LastUndoable()
	m.do(t, TakenBack{Event: e.ID}) // … which are not used again
	m.do(t, pick(t, Choices(m.s, Shop{}, nil), CarryOn).Corrected())
	require.NoError(t, m.tryPour(g(3), Poured{Rest: true}))
	require.Equal(t, WhyRest, m.s.Todo[0].Why)
	m.pour(t, m.s.Todo[0].Aim-g(0.1))
	e, _ = m.s.LastUndoable()
	m.do(t, TakenBack{Event: e.ID})
	m.pour(t, m.s.Todo[0].Aim)
	e, _ = m.s.LastUndoable()
	m.do(t, TakenBack{Event: e.ID})
	m.pour(t, m.s.Todo[0].Aim)
	assert.Equal(t, NeedStir, m.s.Need())
	_, err := Fold(m.events)
	require.NoError(t, err)
}

func TestWhoMayAct(t *testing.T) {
	m := newMixer(t, request())
	m.place(t)
	old := m.command(Poured{Step: 1, Attempt: 1, Reading: g(370)})
	m.device = "other"
	refusal(t, m.try(Stirred{}), NotHolder)
	assert.Contains(t, refusal(t, m.try(TakenOver{Device: "somebody else"}), Impossible), "itself")
	m.do(t, TakenOver{Device: "other", Name: "Ben"})
	refusal(t, m.try(TakenOver{Device: "other"}), NotNow)
	refusal(t, m.try(TakenOver{Device: "other", Name: "Ben"}), NotNow)
	assert.Equal(t, "Ben has taken over this cup. Your tap was not booked.", refusal(t, m.send(old), OldEpoch))
	c := m.command(Poured{Step: 1, Attempt: 1, Reading: g(370)})
	stale := c
	stale.Seen--
	refusal(t, m.send(stale), Stale)
	future := c
	future.Seen = 99
	refusal(t, m.send(future), Impossible)
	future = c
	future.Epoch = 9
	refusal(t, m.send(future), Impossible)
	require.NoError(t, m.send(c))
	refusal(t, m.send(c), Stale)
	nameless := m.command(Stirred{})
	nameless.ID = ""
	refusal(t, m.send(nameless), Impossible)

	m.device = Bench
	refusal(t, m.try(Abandoned{}), NotHolder)
	refusal(t, m.try(TakenOver{Device: Bench}), Impossible)
	m.do(t, Held{Step: 2, Reading: g(400)})
	require.NoError(t, m.tryPour(g(120), Poured{Auto: true}))
	refusal(t, m.try(Planned{}), NotHolder)
	m.device = "other"
	refusal(t, m.try(Planned{}), Impossible)
	refusal(t, m.try(Activated{}), Impossible)
}

// A held reading moves the sequence and not what a tap means.
func TestHeldDoesNotMakeStale(t *testing.T) {
	m := newMixer(t, request())
	m.place(t)
	tap := m.command(Poured{Step: 1, Attempt: 1, Reading: g(370)})
	m.do(t, Held{Step: 1, Reading: g(200)})
	refusal(t, m.try(Held{Step: 1, Reading: g(200)}), NotNow)
	refusal(t, m.try(Held{Step: 2, Reading: g(210)}), Stale)
	refusal(t, m.try(Held{Step: 1, Reading: -1}), Impossible)
	m.do(t, Held{Step: 1, Reading: g(210)})
	require.NoError(t, m.send(tap))
	assert.Nil(t, m.s.Held)
}

func TestPourIsChecked(t *testing.T) {
	m := newMixer(t, request())
	refusal(t, m.try(Poured{Step: 1, Attempt: 1, Reading: g(370)}), NotNow)
	refusal(t, m.try(CupPlaced{Reading: -1}), Impossible)
	refusal(t, m.try(CupPlaced{Reading: g(6000)}), Impossible)
	refusal(t, m.try(CupPlaced{Reading: g(20), Cup: Cup{Brim: math.NaN()}}), Impossible)
	m.place(t)
	refusal(t, m.try(CupPlaced{Reading: g(20)}), NotNow)
	refusal(t, m.tryPour(-g(1), Poured{}), Impossible)
	refusal(t, m.tryPour(0, Poured{}), Impossible)
	refusal(t, m.tryPour(g(5000), Poured{}), Impossible)
	assert.Contains(t, refusal(t, m.tryPour(g(300), Poured{}), Impossible), "Chalk is 50.0 g short")
	refusal(t, m.tryPour(g(349), Poured{Auto: true}), Impossible)
	refusal(t, m.try(Poured{Step: 2, Attempt: 1, Reading: g(370)}), Stale)
	refusal(t, m.try(Stirred{}), NotNow)
	refusal(t, m.try(Shaken{Key: "t77"}), NotNow)
	m.do(t, Shaken{Key: "t1"})
	require.NoError(t, m.tryPour(g(200), Poured{More: true, Lot: "A"}))
	assert.Equal(t, 2, m.s.Attempt(1), "two lots, one pour")
	require.NoError(t, m.tryPour(g(150), Poured{Lot: "B"}))
	require.NoError(t, m.tryPour(g(60), Poured{Rest: true}))
	assert.Equal(t, WhyRest, m.s.Todo[len(m.s.Todo)-1].Why)
	m.rest(t)
	assert.Equal(t, g(500), m.s.Contents())
	m.do(t, Rezeroed{Reading: 0})
	assert.Equal(t, g(0), m.s.Last)
	m.do(t, Stirred{})
	refusal(t, m.try(Drawn{Mass: -g(5)}), Impossible)
	refusal(t, m.try(Drawn{Mass: g(500)}), Impossible)
	refusal(t, m.try(Drawn{Reading: math.MaxInt64}), Impossible)
	m.do(t, Drawn{Mass: g(40)})
	assert.Equal(t, -g(40), m.s.Last)
	refusal(t, m.try(Finished{Kept: g(470)}), Impossible)
	refusal(t, m.try(Finished{Kept: -1}), Impossible)
	checkConservation(t, m.events, m.s)
	m.do(t, Abandoned{Why: "wrong car"})
	assert.Equal(t, g(460), m.s.GivenUp.Discarded)
}

func TestForgedCorrections(t *testing.T) {
	m := newMixer(t, request())
	m.place(t)
	refusal(t, m.try(Corrected{Choice: Exact, Total: g(500)}), NotNow)
	m.pour(t, g(350))
	m.pour(t, g(120))
	m.pour(t, g(27))
	no := m.s.NextNo()
	nan := math.NaN()
	good := Step{No: no, Key: "t1", Aim: g(10), Tolerance: g(1)}
	with := func(change func(*Corrected)) Corrected {
		c := Corrected{Choice: LeastPaint, Total: g(520), Steps: []Step{good}}
		change(&c)
		return c
	}
	for name, c := range map[string]Corrected{
		"unknown choice":    with(func(c *Corrected) { c.Choice = "magic" }),
		"unknown toner":     with(func(c *Corrected) { c.Steps[0].Key = "t99" }),
		"takes paint out":   with(func(c *Corrected) { c.Steps[0].Aim = -g(1) }),
		"nothing":           with(func(c *Corrected) { c.Steps[0].Aim = 0 }),
		"more than a tonne": with(func(c *Corrected) { c.Steps[0].Aim = gram.MaxMass + 1 }),
		"two half tonnes": with(func(c *Corrected) {
			c.Steps = []Step{{no, "t1", gram.MaxMass, 1, ""}, {no + 1, "t2", gram.MaxMass, 1, ""}}
		}),
		"a used number":      with(func(c *Corrected) { c.Steps[0].No = 1 }),
		"an open number":     with(func(c *Corrected) { c.Steps[0].No = 4 }),
		"a huge number":      with(func(c *Corrected) { c.Steps[0].No = math.MaxInt }),
		"one number twice":   with(func(c *Corrected) { c.Steps = append(c.Steps, good) }),
		"anything goes":      with(func(c *Corrected) { c.Steps[0].Tolerance = g(400) }),
		"no tolerance":       with(func(c *Corrected) { c.Steps[0].Tolerance = -1 }),
		"total":              with(func(c *Corrected) { c.Total = 0 }),
		"total of tonnes":    with(func(c *Corrected) { c.Total = math.MaxInt64 }),
		"discard":            with(func(c *Corrected) { c.Discard = g(900) }),
		"not a number":       with(func(c *Corrected) { c.Worst = nan }),
		"no difference":      with(func(c *Corrected) { c.DeltaE = &nan }),
		"foreign hardener":   with(func(c *Corrected) { c.Foreign = []Component{{Key: "t9", Role: formula.Hardener}} }),
		"foreign known":      with(func(c *Corrected) { c.Foreign = []Component{{Key: "t1"}} }),
		"foreign twice":      with(func(c *Corrected) { c.Foreign = []Component{{Key: "t9"}, {Key: "t9"}} }),
		"foreign density":    with(func(c *Corrected) { c.Foreign = []Component{{Key: "t9", Density: math.Inf(1)}} }),
		"paint of elsewhere": with(func(c *Corrected) { c.Foreign = []Component{{Key: PaintKey}} }),
	} {
		refusal(t, m.try(c), Impossible)
		_ = name
	}
	refusal(t, m.try(Corrected{Choice: Tint, Total: g(500), Steps: []Step{good}}), NotNow)
	m.do(t, with(func(c *Corrected) {
		c.Foreign = []Component{{Key: "t9", Name: "Moss", Goal: g(900)}}
		c.Steps[0].Key = "t9"
	}))
	assert.Zero(t, m.s.Component("t9").Goal, "a decision cannot change the formula")
}

func TestStartAgain(t *testing.T) {
	m := newMixer(t, request())
	m.place(t)
	m.pour(t, g(400))
	m.do(t, pick(t, Choices(m.s, Shop{}, nil), StartAgain).Corrected())
	require.NotNil(t, m.s.GivenUp)
	assert.Equal(t, g(400), m.s.GivenUp.Discarded)
	assert.Empty(t, Choices(m.s, Shop{}, nil))
}

func TestHoldBackAndTint(t *testing.T) {
	r := request()
	r.HoldBack = []HoldBack{{"t3", 0.2}}
	m := newMixer(t, r)
	m.place(t)
	m.rest(t)
	assert.Equal(t, g(495), m.s.Contents())
	m.do(t, Stirred{})
	m.do(t, Drawn{Reading: m.s.Last - g(49.5)})
	up := BroughtUp(m.s)
	require.Len(t, up.Steps, 1)
	assert.InDelta(t, 4.5, up.Steps[0].Aim.Grams(), 0.002, "nine tenths of the cup are left")
	m.do(t, up)
	m.rest(t)
	m.do(t, Stirred{})
	for i, c := range m.s.Components {
		assert.InDelta(t, c.Goal.Grams()*0.9, m.s.In[i].Grams(), 0.003, c.Name)
	}
	assert.Equal(t, m.s.Contents(), m.s.Total)
	refusal(t, m.try(BroughtUp(m.s)), NotNow)

	moss := Component{Key: "t9", TonerID: 9, Name: "Moss", Role: formula.Solid, Strength: formula.Strong, Density: 1.1}
	for _, bad := range [][]Addition{nil, {{moss, 0}}, {{moss, gram.MaxMass}}, {{moss, g(1)}, {moss, g(2)}}, {{Component{Key: "p1", Role: formula.Hardener}, g(1)}}} {
		_, err := TintWith(m.s, bad)
		var p *Problem
		require.True(t, errors.As(err, &p))
		assert.NotEmpty(t, p.Field)
	}
	tint, err := TintWith(m.s, []Addition{{moss, g(2)}, {m.s.Component("t4"), g(1)}})
	require.NoError(t, err)
	m.do(t, tint)
	assert.Equal(t, g(2), m.s.Component("t9").Goal, "from here on it belongs to the cup")
	m.pour(t, g(2.5))
	require.NotNil(t, m.s.Over, "an overshoot during a tint")
	exact := pick(t, Choices(m.s, Shop{}, nil), Exact)
	assert.InDelta(t, 453*2.5/2, exact.Final.Grams(), 0.5)
	checkOptionsAtBench(t, m.s, Choices(m.s, Shop{}, nil))
}

// A toner that is short on purpose is no difference.
func TestColourWhileHeldBack(t *testing.T) {
	r := request()
	r.HoldBack = []HoldBack{{"t3", 0.2}}
	m := newMixer(t, r)
	m.place(t)
	m.pour(t, g(350))
	c := plane{[]float64{0.7, 0.24, 0.05, 0.01}, []float64{3, 10, 100, 40}}
	carry := pick(t, Choices(m.s, Shop{}, c), CarryOn)
	require.NotNil(t, carry.DeltaE)
	assert.InDelta(t, 0, *carry.DeltaE, 1e-9)
	assert.Equal(t, CarryOn, Choices(m.s, Shop{}, c)[0].Choice)
}

func TestOvershootWhileHeldBack(t *testing.T) {
	r := request()
	r.HoldBack = []HoldBack{{"t3", 0.2}}
	m := newMixer(t, r)
	m.place(t)
	m.pour(t, g(350))
	m.pour(t, g(132)) // 10 % over
	exact := pick(t, Choices(m.s, Shop{}, nil), Exact)
	assert.InDelta(t, 495*1.1, exact.Final.Grams(), 0.01, "what is held back stays held back")
	m.do(t, exact.Corrected())
	assert.InDelta(t, 550, m.s.Total.Grams(), 0.01)
	m.rest(t)
	m.do(t, Stirred{})
	m.do(t, BroughtUp(m.s))
	m.rest(t)
	for i, c := range m.s.Components {
		assert.InDelta(t, c.Goal.Grams()*1.1, m.s.In[i].Grams(), 0.01, c.Name)
	}
}

// The law behind every screen: whatever is tapped, the list alone gives the cup to the milligram, also when it went
// through a store, and nothing is lost.
func TestReplay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := request()
		r.SafeOrder = rapid.Bool().Draw(t, "safe order")
		r.Cup.Brim = rapid.SampledFrom([]float64{0, 700, 1000}).Draw(t, "brim")
		if rapid.Bool().Draw(t, "hold back") {
			r.HoldBack = []HoldBack{{"t3", 0.1}}
		}
		m := newMixer(t, r)
		for range rapid.IntRange(1, 45).Draw(t, "commands") {
			if m.s.Ended() {
				break
			}
			c := m.command(m.draw(t))
			if rapid.IntRange(0, 15).Draw(t, "late") == 0 {
				c.Seen--
			}
			err := m.send(c)
			var no *Refusal
			if err != nil && !errors.As(err, &no) {
				t.Fatalf("%s: %v", c.Body.Kind(), err)
			}
			checkConservation(t, m.events, m.s)
		}
		again, err := Fold(m.events)
		require.NoError(t, err)
		assert.Equal(t, m.s, again)
		for i, e := range m.events {
			k, v, data, err := Encode(e.Body)
			require.NoError(t, err)
			m.events[i].Body, err = Decode(k, v, data)
			require.NoError(t, err)
		}
		kept, err := Fold(m.events)
		require.NoError(t, err)
		assert.Equal(t, shown(m.s), shown(kept))
	})
}

// shown is what of a state may differ after a store: nil and empty lists are one there.
func shown(s State) string {
	s.live, s.nos = nil, nil
	return fmt.Sprintf("%+v|%v|%v|%v|%v|%v|%v", s.In, s.Todo, s.Layers, s.Need(), s.Total, s.Last, s.Seq)
}

// draw is the next thing that somebody does: mostly what is needed, sometimes anything.
func (m *mixer) draw(t *rapid.T) Body {
	need := m.s.Need()
	if rapid.IntRange(0, 9).Draw(t, "anything") == 0 {
		need = rapid.SampledFrom([]Need{NeedCup, NeedPour, NeedChoice, NeedLift, NeedMove, NeedStir, NeedPourOff, NeedNext}).Draw(t, "need")
	}
	if rapid.IntRange(0, 9).Draw(t, "take back") == 0 {
		e, _ := m.s.LastUndoable()
		return TakenBack{Event: e.ID}
	}
	gramsUpTo := func(most gram.Mass, what string) gram.Mass {
		return gram.Mass(rapid.Int64Range(0, int64(max(most, 1))).Draw(t, what))
	}
	switch need {
	case NeedCup:
		return CupPlaced{Reading: gramsUpTo(g(60), "cup"), Cup: m.s.Plan.Cup}
	case NeedPour:
		var step Step
		if len(m.s.Todo) > 0 {
			step = m.s.Todo[0]
		}
		kind := rapid.SampledFrom([]string{"right", "right", "right", "over", "far over", "short", "dry", "held", "wrong", "rezeroed", "found", "shaken"}).Draw(t, "pour")
		b := Poured{Step: step.No, Attempt: m.s.Attempt(step.No)}
		switch kind {
		case "over":
			b.Reading = m.s.Last + step.Aim + gramsUpTo(step.Aim/10+g(1), "over")
		case "far over":
			b.Reading = m.s.Last + step.Aim + gramsUpTo(step.Aim*2, "over")
		case "short":
			b.Reading, b.Rest = m.s.Last+gramsUpTo(step.Aim, "short"), true
		case "dry":
			b.Reading, b.More = m.s.Last+gramsUpTo(step.Aim, "dry"), true
		case "held":
			return Held{Step: step.No, Reading: m.s.Last + gramsUpTo(step.Aim, "held")}
		case "wrong":
			key := rapid.SampledFrom([]Key{"t1", "t2", "t3", "t4", "t9", "p1", "p2"}).Draw(t, "really")
			return Reattributed{To: Component{Key: key, Name: string(key), Role: formula.Solid}}
		case "rezeroed":
			return Rezeroed{Reading: gramsUpTo(g(500), "shows")}
		case "found":
			f := Found{Before: m.s.Last + gramsUpTo(step.Aim, "known"), Lost: gramsUpTo(g(5), "clings"), Cup: &Cup{Name: "bucket", Brim: 5000}}
			f.Cause = rapid.SampledFrom([]Cause{CauseDisplay, CauseObject, CauseSolvent, CauseTaken, CauseCup}).Draw(t, "cause")
			f.Reading = f.Before + g(20) - gramsUpTo(g(60), "found")
			return f
		case "shaken":
			return Shaken{Key: "t1"}
		default:
			b.Reading = m.s.Last + step.Aim
		}
		return b
	case NeedChoice:
		if rapid.IntRange(0, 4).Draw(t, "wrong toner") == 0 {
			return Reattributed{To: Component{Key: "t9", Name: "Moss", Role: formula.Solid}}
		}
		options := Choices(m.s, Shop{Cups: []Cup{{Name: "bucket", Brim: 5000}}}, nil)
		if len(options) == 0 {
			return Corrected{Choice: CarryOn, Total: g(1)}
		}
		return rapid.SampledFrom(options).Draw(t, "choice").Corrected()
	case NeedLift:
		if m.s.Over != nil {
			return LiftedOut{Reading: m.s.Last - gramsUpTo(m.s.Over.By, "lifted")}
		}
		return LiftedOut{Reading: m.s.Last - g(1)}
	case NeedMove:
		if m.s.NewCup == nil {
			return CupPlaced{Reading: gramsUpTo(g(90), "new cup"), Cup: Cup{Name: "bucket", Brim: 5000}}
		}
		return Moved{Full: m.s.NewCup.Reading + m.s.Contents() - gramsUpTo(g(9), "clings")}
	case NeedPourOff:
		return PouredOff{Reading: m.s.Last - gramsUpTo(m.s.Discard+g(5), "off")}
	case NeedStir:
		return Stirred{}
	}
	switch rapid.SampledFrom([]string{"draw", "tint", "bring up", "reduce", "share", "finish", "give up", "take over"}).Draw(t, "next") {
	case "draw":
		return Drawn{Mass: gramsUpTo(g(60), "drawn")}
	case "tint":
		tint, _ := TintWith(m.s, []Addition{{Component{Key: "t9", Name: "Moss", Role: formula.Solid}, g(1) + gramsUpTo(g(9), "tint")}})
		return tint
	case "bring up":
		return BroughtUp(m.s)
	case "reduce":
		red, _, _ := PlanReduction(m.s, ReductionRequest{Ratio: twoToOne()})
		return red
	case "share":
		red, _, _ := PlanReduction(m.s, ReductionRequest{Ratio: twoToOne(), Portion: &gram.Amount{Value: 100, Unit: gram.UnitGram}})
		return red
	case "finish":
		return Finished{Kept: gramsUpTo(m.s.keepable(), "kept")}
	case "take over":
		return TakenOver{Device: m.device}
	}
	return Abandoned{Why: "enough"}
}
