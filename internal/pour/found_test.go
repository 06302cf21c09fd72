package pour

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/gram"
)

// A cup that is found other than it was. In each case the cup holds 350 g of Chalk and waits for 120 g of Delft at a
// reading of 370 g, of which 13 g are in already; then 107 g more come in. The grams are worked out by hand.
func TestFound(t *testing.T) {
	bucket := &Cup{Name: "bucket", Brim: 5000, Empty: g(90)}
	for _, c := range []struct {
		name         string
		found        Found
		chalk, delft gram.Mass // at the end
		soot         gram.Mass // still to be poured then
		tipped, gone gram.Mass
		reads        gram.Mass // of the scale at the end
	}{
		{"tare was pressed", Found{Cause: CauseDisplay, Before: g(383), Reading: 0}, g(350), g(120), g(25), 0, 0, g(107)},
		{"the zero drifted", Found{Cause: CauseDisplay, Before: g(383), Reading: g(383.4)}, g(350), g(120), g(25), 0, 0, g(490.4)},
		{"a stick was left in", Found{Cause: CauseObject, Before: g(383), Reading: g(390.2)}, g(350), g(120), g(25), 0, 0, g(497.2)},
		{"and taken out", Found{Cause: CauseObject, Before: g(383), Reading: g(375.8)}, g(350), g(120), g(25), 0, 0, g(482.8)},
		{"solvent went off over lunch", Found{Cause: CauseSolvent, Before: g(383), Reading: g(381.9)}, g(350), g(120), g(25), 0, g(1.1), g(488.9)},
		// A tenth of what is booked is spilt: of everything that is still to come, a tenth less is wanted.
		{"some was spilt", Found{Cause: CauseTaken, Before: g(383), Reading: g(348)}, g(315), g(108), g(22.5), g(35), 0, g(443)},
		{"it is in a bigger cup", Found{Cause: CauseCup, Before: g(383), Reading: g(449.5), Lost: g(3.5), Cup: bucket}, g(346.5), g(118.8), g(24.75), g(3.5), 0, g(555.3)},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := newMixer(t, request())
			m.place(t)
			m.pour(t, g(350))
			m.do(t, Held{Step: 2, Reading: g(383)})
			m.do(t, c.found)
			require.NotNil(t, m.s.Held)
			assert.Equal(t, g(13), *m.s.Held-m.s.Last, "what is on its way stays on its way")
			checkConservation(t, m.events, m.s)
			m.pour(t, m.s.Todo[0].Aim)
			assert.Equal(t, c.chalk, m.s.In[0])
			assert.Equal(t, c.delft, m.s.In[1])
			assert.Equal(t, c.soot, m.s.Todo[0].Aim)
			assert.Equal(t, c.tipped, m.s.Tipped)
			assert.Equal(t, c.gone, m.s.GoneOff)
			assert.Equal(t, c.reads, m.s.Last)
			checkConservation(t, m.events, m.s)
			if c.found.Cup != nil {
				assert.Equal(t, "bucket", m.s.Cup.Name)
			}
			_, ok := m.s.LastUndoable()
			assert.True(t, ok, "the pour after it can be taken back")
			m.rest(t)
			sum := m.s.Contents()
			for i, want := range []float64{0.7, 0.24, 0.05, 0.01} {
				assert.InDelta(t, want, m.s.In[i].Grams()/sum.Grams(), 2e-5, "the shares are those of the formula")
			}
			again, err := Fold(m.events)
			require.NoError(t, err)
			assert.Equal(t, m.s, again)
		})
	}
}

func TestFoundInSeveralLayersIsUncertain(t *testing.T) {
	m := newMixer(t, request())
	m.place(t)
	m.pour(t, g(350))
	m.pour(t, g(120))
	m.do(t, Found{Cause: CauseTaken, Before: g(490), Reading: g(480)})
	assert.True(t, m.s.Uncertain, "nobody knows whether it was Chalk or Delft")
	checkConservation(t, m.events, m.s)
}

func TestFoundRefusals(t *testing.T) {
	m := newMixer(t, request())
	refusal(t, m.try(Found{Cause: CauseDisplay, Before: g(20), Reading: 0}), NotNow)
	m.place(t)
	refusal(t, m.try(Found{Cause: CauseTaken, Before: g(20), Reading: g(15)}), Impossible)
	m.pour(t, g(350))
	for _, f := range []Found{
		{Cause: "magic", Before: g(370), Reading: g(360)},
		{Cause: CauseSolvent, Before: g(370), Reading: g(371)},
		{Cause: CauseSolvent, Before: g(370), Reading: g(10)},
		{Cause: CauseTaken, Before: g(370), Reading: g(371)},
		{Cause: CauseTaken, Before: g(370), Reading: g(20)},
		{Cause: CauseCup, Before: g(370), Reading: g(440)},
		{Cause: CauseCup, Before: g(370), Reading: g(440), Lost: -1, Cup: &Cup{}},
		{Cause: CauseDisplay, Before: g(370), Reading: 2 * gram.MaxMass},
	} {
		said := refusal(t, m.try(f), Impossible)
		assert.NotEmpty(t, said)
	}
	refusal(t, m.try(Found{Cause: CauseObject, Before: g(370), Reading: g(370)}), NotNow)
	m.rest(t)
	refusal(t, m.try(Found{Cause: CauseObject, Before: g(520), Reading: g(527)}), NotNow)
}
