package bench

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/scale"
)

// A stretch is a run of readings: so many, so far apart, from one mass to another.
type stretch struct {
	n        int
	every    time.Duration
	from, to float64 // grams
	moving   bool
}

const tick = 100 * time.Millisecond

func still1(seconds, grams float64) stretch {
	return stretch{n: int(seconds * 10), every: tick, from: grams, to: grams}
}

// The rules on sequences of readings alone: a cup of 15 g, 100 g in it booked, so it reads 115 g at first.
func TestRules(t *testing.T) {
	for _, c := range []struct {
		name    string
		run     []stretch
		kind    QuestionKind // "" where nothing is asked
		before  float64
		after   float64
		atOnce  bool
		slow    bool
		hung    bool
		shaken  bool
		explain float64 // where it ends, of what is explained
	}{
		{name: "nothing happens", run: []stretch{still1(5, 115)}, explain: 115},
		{name: "a pour", run: []stretch{still1(2, 115), {20, tick, 115, 125, true}, still1(2, 125)}, explain: 125},
		{name: "a pour of one drop after the other", run: []stretch{still1(2, 115), {30, time.Second / 2, 115, 116, false}, still1(2, 116)}, explain: 115.9},
		{name: "a scale that sends twice a second", run: []stretch{{6, time.Second / 2, 115, 115, false}, {8, time.Second / 2, 115, 155, true}, {6, time.Second / 2, 155, 155, false}}, explain: 155},
		{name: "two divisions of draught", run: []stretch{still1(2, 115), still1(2, 115.2), still1(2, 114.8), still1(2, 115)}, explain: 115},
		{name: "lifted", run: []stretch{still1(3, 115), {5, tick, 115, 0, true}, still1(1, 0)}, kind: AskZeroed, before: 115},
		{name: "lifted and put back", run: []stretch{still1(3, 115), {5, tick, 115, 0, true}, still1(3, 0), {5, tick, 0, 115, true}, still1(1, 115)}, explain: 115},
		{name: "lifted and put back in a pour that had gone on", run: []stretch{still1(1, 115), {20, tick, 115, 125, true}, still1(1, 125), {5, tick, 125, 0, true}, still1(1, 0), {5, tick, 0, 125, true}, still1(1, 125)}, explain: 125},
		{name: "tare pressed", run: []stretch{still1(3, 115), still1(1, 0)}, kind: AskZeroed, before: 115, atOnce: true},
		{name: "tare pressed, and 60 g a second poured after it", run: []stretch{still1(3, 115), still1(3, 0), {40, tick, 0, 240, true}, still1(1, 240)}, kind: AskZeroed, before: 115, atOnce: true},
		{name: "tare pressed, and just so much poured that it reads the same", run: []stretch{still1(3, 115), still1(3, 0), {40, tick, 0, 110, true}, still1(1, 110)}, kind: AskZeroed, before: 115, atOnce: true},
		{name: "tare pressed, and to the division as much poured as there was", run: []stretch{still1(3, 115), still1(3, 0), {40, tick, 0, 115, true}, still1(1, 115)}, kind: AskZeroed, before: 115, atOnce: true},
		{name: "tare pressed a division later than was explained", run: []stretch{still1(3, 115.1), still1(3, 0)}, kind: AskZeroed, before: 115.1, atOnce: true},
		{name: "some taken out, and as much poured in", run: []stretch{still1(3, 115), {20, tick, 115, 105, true}, still1(2, 105), {40, tick, 105, 115, true}, still1(2, 115)}, kind: AskLighter, before: 115, after: 105},
		{name: "put back lighter", run: []stretch{still1(3, 115), {5, tick, 115, 0, true}, still1(3, 0), {5, tick, 0, 95, true}, still1(1, 95)}, kind: AskLighter, before: 115, after: 95},
		{name: "put back heavier", run: []stretch{still1(3, 115), {5, tick, 115, 0, true}, still1(3, 0), {5, tick, 0, 122, true}, still1(1, 122)}, kind: AskHeavier, before: 115, after: 122},
		{name: "put back heavier, then poured on", run: []stretch{still1(3, 115), {5, tick, 115, 0, true}, still1(3, 0), {5, tick, 0, 122, true}, still1(1, 122), {30, tick, 122, 140, true}, still1(2, 140)}, kind: AskHeavier, before: 115, after: 122},
		{name: "a stick dropped in", run: []stretch{still1(3, 115), {4, tick, 115, 122.2, true}, still1(2, 122.2)}, kind: AskHeavier, before: 115, after: 122.2, atOnce: false},
		{name: "and out again", run: []stretch{still1(3, 115), {4, tick, 115, 122.2, true}, still1(2, 122.2), {4, tick, 122.2, 115, true}, still1(2, 115)}, explain: 115},
		{name: "a stroke of paint as heavy, in twice the time", run: []stretch{still1(3, 115), {20, tick, 115, 122.2, true}, still1(2, 122.2)}, explain: 122.2},
		{name: "evaporation", run: []stretch{still1(3, 115), {600, time.Second, 115, 113.8, false}, still1(2, 113.8)}, kind: AskLighter, before: 115, after: 113.8, slow: true},
		{name: "creep", run: []stretch{still1(3, 115), {100, time.Second, 115, 115.5, false}, still1(2, 115.5)}, kind: AskHeavier, before: 115, after: 115.5, slow: true},
		{name: "a scale that sends once a second", run: []stretch{{5, time.Second, 115, 115, false}, {1, time.Second, 118, 118, true}, {4, time.Second, 118, 118, false}}, explain: 118},
		{name: "silence, and nothing else", run: []stretch{still1(3, 115), {1, time.Minute, 115, 115, false}, still1(2, 115)}, explain: 115},
		{name: "silence, and poured meanwhile", run: []stretch{still1(3, 115), {1, time.Minute, 120, 120, false}, still1(2, 120)}, kind: AskHeavier, before: 115, after: 120},
		{name: "it calls itself moving and does not move", run: []stretch{still1(2, 115), {10, tick, 115, 120, true}, {80, tick, 120, 120, true}}, hung: true, explain: 115},
		{name: "it stands in mid-pour", run: []stretch{still1(2, 115), {20, tick, 115, 120, true}, still1(50, 120)}, hung: true, explain: 120},
	} {
		t.Run(c.name, func(t *testing.T) {
			g := guard{}
			g.restart(gram.Of(115))
			at := time.Date(2026, 3, 12, 9, 30, 0, 0, time.UTC)
			facts := cupFacts{cup: gram.Of(15), last: gram.Of(115), balance: gram.Balance{Division: tenth}}
			for _, s := range c.run {
				for i := range s.n {
					at = at.Add(s.every)
					m := s.from + (s.to-s.from)*float64(i+1)/float64(s.n)
					g.add(sight{mass: gram.Of(m).Round(tenth), settled: !s.moving, at: at, came: at}, facts)
				}
			}
			assert.Equal(t, c.hung, g.hung, "hung")
			assert.Equal(t, c.shaken, g.shaken != nil, "shaken")
			if c.kind == "" {
				require.Nil(t, g.question, "%+v", g.question)
				assert.Equal(t, gram.Of(c.explain), g.explained)
				return
			}
			require.NotNil(t, g.question)
			q := *g.question
			q.No = 0
			assert.Equal(t, Question{Kind: c.kind, Before: gram.Of(c.before), After: gram.Of(c.after), AtOnce: c.atOnce, Slow: c.slow}, q)
		})
	}
}

// Of a scale with two ranges the coarse step is allowed for where the reading is in the upper range.
func TestRulesInTheUpperRange(t *testing.T) {
	g := guard{}
	g.restart(gram.Of(602))
	facts := cupFacts{cup: gram.Of(15), last: gram.Of(602), balance: gram.Balance{Division: tenth, HighFrom: gram.Of(600), HighDivision: gram.Gram}}
	at := time.Date(2026, 3, 12, 9, 30, 0, 0, time.UTC)
	for i, m := range []float64{602, 602, 602, 602, 602, 602, 602, 601, 601, 601, 601, 601, 601, 601, 601, 603, 603, 603, 603, 603, 603, 603} {
		g.add(sight{mass: gram.Of(m), settled: true, at: at.Add(time.Duration(i) * tick), came: at.Add(time.Duration(i) * tick)}, facts)
	}
	assert.Nil(t, g.question, "a step to and fro is the display's")
}

// Nobody is asked anything while somebody just pours, whatever the hand and the toner.
func TestNoFalseAlarm(t *testing.T) {
	for seed := range uint64(12) {
		for name, hand := range map[string]scale.Hand{"skilled": scale.Skilled(), "apprentice": scale.Apprentice()} {
			t.Run(fmt.Sprintf("%s %d", name, seed), func(t *testing.T) {
				r := newRig(t)
				device, err := scale.NewPretend(scale.PretendSetup{Balance: r.Balance(), Clock: r.clock, Hand: hand, Seed: seed})
				require.NoError(t, err)
				r.device = device
				require.NoError(t, r.Use("another", device))
				require.NoError(t, device.Place(15*gram.Gram))
				r.run(2 * time.Second)
				device.Paste(seed%2 == 0)
				for range 3 {
					step, ok := r.state().Open()
					if !ok {
						break
					}
					before := len(r.state().Done)
					for r.live().Left > tenth && len(r.state().Done) == before {
						require.NoError(t, device.Pour(r.live().Left))
						r.until(func() bool { return !device.Pouring() || r.live().Ask != nil }, time.Minute)
						require.Nil(t, r.live().Ask, "%+v", r.guard.question)
						r.run(5 * time.Second)
					}
					require.Nil(t, r.live().Ask, "%+v", r.guard.question)
					if len(r.state().Done) == before {
						r.tap(pour.Poured{Step: step.No, Attempt: r.state().Attempt(step.No)})
					}
				}
			})
		}
	}
}

// A scale is checked with what it reads without the weight and with it.
func TestCheckOfTheScale(t *testing.T) {
	r := newRig(t)
	_, _, _, err := r.CheckLoaded()
	require.ErrorIs(t, err, ErrEmptyFirst)
	require.NoError(t, r.device.Lift())
	r.run(3 * time.Second)
	empty, err := r.CheckEmpty()
	require.NoError(t, err)
	assert.Zero(t, empty)
	require.NoError(t, r.device.Add(200*gram.Gram))
	r.run(tick)
	_, _, _, err = r.CheckLoaded()
	require.ErrorIs(t, err, ErrNotAtRest, "it has yet to settle")
	r.run(3 * time.Second)
	empty, loaded, division, err := r.CheckLoaded()
	require.NoError(t, err)
	assert.Equal(t, [3]gram.Mass{0, 200 * gram.Gram, tenth}, [3]gram.Mass{empty, loaded, division})
	require.NoError(t, r.device.Remove(200*gram.Gram))
	r.run(3 * time.Second)
	require.NoError(t, r.device.Return())
	r.run(3 * time.Second)
	assert.Nil(t, r.live().Ask, "the cup is back as it was")
	r.finish()
}

// The shop goes over to another scale in mid-pour; the cup reads the same there.
func TestAnotherScaleInMidPour(t *testing.T) {
	r := newRig(t)
	r.pours(20)
	r.run(4 * time.Second)
	first := r.device
	on := first.True()
	second, err := scale.NewPretend(scale.PretendSetup{Balance: gram.Balance{Division: 10 * gram.Milligram, Max: 600 * gram.Gram}, Clock: r.clock})
	require.NoError(t, err)
	require.NoError(t, r.Use("the finer one", second))
	assert.Equal(t, "the finer one", r.Called())
	assert.False(t, r.Typed())
	require.NoError(t, second.Place(on))
	require.ErrorIs(t, first.Read(t.Context(), func(scale.Reading) {}), scale.ErrClosed)
	r.device = second
	r.run(3 * time.Second)
	if r.live().Ask != nil { // it shows a hundredth where the other one rounded
		assert.LessOrEqual(t, (r.guard.question.After - r.guard.question.Before).Abs(), tenth)
		r.answers(r.live().Ask.Kind, pour.CauseDisplay)
	}
	heard, lost, _ := r.Hearing()
	require.False(t, lost)
	assert.Contains(t, heard[0].Says, "at rest")
	r.finish()
}
