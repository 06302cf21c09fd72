package rehearse

import (
	"errors"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/gram"
	"pourbook/internal/pour"
)

// cups is how many cups a test pours: few, or as many as POURBOOK_REHEARSE says.
func cups(t *testing.T) int {
	long := os.Getenv("POURBOOK_REHEARSE")
	if long == "" {
		return 100
	}
	n, err := strconv.Atoi(long)
	require.NoError(t, err, "POURBOOK_REHEARSE is a number of cups")
	return n
}

func rehearse(t *testing.T, s Setting) map[string]Result {
	t.Helper()
	if s.Division == 0 {
		s.Division = gram.Of(0.1)
	}
	report, err := Run(s, nil)
	require.NoError(t, err)
	out := map[string]Result{}
	for _, r := range report.Results {
		require.Equal(t, s.Cups, r.Cups)
		out[r.Name] = r
	}
	require.Len(t, out, len(ways))
	return out
}

// The goal: at most one and a half times hindsight, at most twice what the hand spills anyway, at most a fifteenth of
// what a mixer without a program uses, every cup the same colour, hardly a pour more. A single cup with a wrong toner or
// a monstrous slip in it can weigh as much as a hundred others, so in the short form wrong toners are left out and the
// means may be further apart.
func TestGoal(t *testing.T) {
	for _, h := range Hands()[:2] {
		t.Run(h.Name, func(t *testing.T) {
			n, spilt, thumb := cups(t), 2., 15.
			if n < 1000 {
				h.WrongOneIn = 0
				spilt, thumb = 4, 5
			}
			r := rehearse(t, Setting{Cups: n, Seed: 1, Hand: h})
			for _, name := range Ways() {
				x := r[name]
				t.Logf("%-20s extra %.3f±%.3f p95 %.2f worst %.1f, ΔE00 %.3f %.3f %.3f, shown %.3f, pours %.3f, money %.1f", name, x.Extra.Mean, x.Extra.Error, x.Extra.P95, x.Extra.Worst, x.Off.Mean, x.Off.P95, x.Off.Worst, x.Seen.Worst, x.Pours, x.Money)
			}
			safe := r["pourbook_safe_order"]
			assert.LessOrEqual(t, safe.Extra.Mean, spilt*r["none"].Extra.Mean)
			assert.LessOrEqual(t, safe.Extra.Mean, 1.5*r["hindsight"].Extra.Mean)
			assert.LessOrEqual(t, r["hindsight"].Extra.Mean, safe.Extra.Mean)
			assert.LessOrEqual(t, thumb*safe.Extra.Mean, r["rule_of_thumb"].Extra.Mean)
			assert.LessOrEqual(t, thumb*safe.Extra.Mean, r["experienced"].Extra.Mean)
			assert.Less(t, safe.Off.Worst, 0.3)
			assert.Less(t, r["pourbook"].Seen.Worst, 0.3)
			assert.LessOrEqual(t, safe.Pours, 1.05)
			assert.LessOrEqual(t, r["pourbook"].Pours, 1.05)
		})
	}
}

// A hand that never goes over needs no correction: every toner once, nothing left over but what rounding to a division
// brings, in whatever way.
func TestSureHand(t *testing.T) {
	sure, err := HandNamed("sure")
	require.NoError(t, err)
	r := rehearse(t, Setting{Cups: 30, Seed: 3, Hand: sure})
	for _, name := range Ways() {
		assert.Equalf(t, 1., r[name].Pours, "%s pours more often than there are toners", name)
		assert.InDeltaf(t, 0, r[name].Extra.Mean, 0.06, "%s", name)
		assert.Lessf(t, r[name].Off.Worst, 0.3, "%s", name)
	}
}

// Another seed is another shelf, other cups and other hands; the means have to agree within what chance explains. The
// difference of two means has √2 of the standard error; 4 of it happens once in some ten thousand.
func TestAnotherSeed(t *testing.T) {
	skilled := Hands()[0]
	skilled.WrongOneIn = 0 // so rare that 40 cups cannot tell their own spread
	a, b := rehearse(t, Setting{Cups: 40, Seed: 11, Hand: skilled}), rehearse(t, Setting{Cups: 40, Seed: 12, Hand: skilled})
	for _, name := range []string{"none", "pourbook_safe_order"} {
		assert.InDeltaf(t, a[name].Extra.Mean, b[name].Extra.Mean, 4*math.Hypot(a[name].Extra.Error, b[name].Extra.Error), "%s", name)
		assert.NotEqual(t, a[name].Extra.Mean, b[name].Extra.Mean)
	}
	assert.Equal(t, a, rehearse(t, Setting{Cups: 40, Seed: 11, Hand: skilled}), "one seed gives one result")
}

// With colour data that are a tenth off, the cup is judged by what the toners really are.
func TestWrongColourData(t *testing.T) {
	r := rehearse(t, Setting{Cups: 40, Seed: 5, Hand: Hands()[0], Wrong: 0.1})
	right := rehearse(t, Setting{Cups: 40, Seed: 5, Hand: Hands()[0]})
	safe := r["pourbook_safe_order"]
	assert.Less(t, safe.Off.P95, 0.3)
	assert.NotEqual(t, safe.Off.Mean, safe.Seen.Mean)
	assert.InDelta(t, right["none"].Extra.Mean, r["none"].Extra.Mean, 0.3, "the hands are the same")
}

func TestFinerScale(t *testing.T) {
	fine := rehearse(t, Setting{Cups: 40, Seed: 2, Hand: Hands()[0], Division: gram.Of(0.01)})
	assert.Less(t, fine["pourbook_safe_order"].Off.Worst, 0.3)
}

func TestSettingsThatCannotBe(t *testing.T) {
	good := Setting{Cups: 1, Division: gram.Of(0.1)}
	for name, change := range map[string]func(*Setting){
		"no cups":       func(s *Setting) { s.Cups = 0 },
		"too many cups": func(s *Setting) { s.Cups = 2_000_000 },
		"no division":   func(s *Setting) { s.Division = 0 },
		"coarse scale":  func(s *Setting) { s.Division = gram.Kilogram },
		"wrong data":    func(s *Setting) { s.Wrong = math.NaN() },
		"no limit":      func(s *Setting) { s.Limit = -1 },
	} {
		s := good
		change(&s)
		_, err := Run(s, nil)
		assert.Error(t, err, name)
	}
	_, err := HandNamed("third")
	assert.Error(t, err)
	stop := errors.New("stop")
	_, err = Run(good, func(int) error { return stop })
	assert.ErrorIs(t, err, stop)
}

// The stated figures of the hands: one slip in so many, median 0.6 g, 95th percentile 4 g, and what is usual.
func TestHandFallsAsStated(t *testing.T) {
	const n = 200_000
	h := Hands()[0]
	var slips []float64
	usual, wrong := 0.0, 0
	for i := range n {
		f := fallOf(7, uint64(i), 1, 0)
		g := h.excess(10, [2]gram.Mass{}, f)
		if g > 0.2 || f.slips*h.SlipOneIn < 1 {
			slips = append(slips, g-0.2*f.usual)
		} else {
			usual += g
		}
		if h.wrongToner(f) {
			wrong++
		}
	}
	slices.Sort(slips)
	assert.InEpsilon(t, n/30., float64(len(slips)), 0.04)
	assert.InEpsilon(t, 0.6, slips[len(slips)/2], 0.05)
	assert.InEpsilon(t, 4, slips[len(slips)*95/100], 0.08)
	assert.InEpsilon(t, 0.1, usual/float64(n-len(slips)), 0.02)
	assert.InEpsilon(t, n/400., float64(wrong), 0.15)
	assert.InDelta(t, 0.6, h.excess(500, [2]gram.Mass{}, fall{usual: 0.5, slips: 1}), 1e-9, "large pours: 0.2 to 1 g")
	assert.InDelta(t, 0.6+0.05, h.excess(500, pasteDrop, fall{usual: 0.5, slips: 1, drop: 0.5, size: 0.5}), 1e-9, "half a drop of 0.1 g")
}

func TestCupsAreAsStated(t *testing.T) {
	shelf := newShelf(1, 0)
	for _, one := range shelf {
		require.NoError(t, one.real.Valid())
	}
	sizes := map[int]int{}
	for no := range uint64(400) {
		c := newCup(1, no, shelf)
		sizes[len(c.toners)]++
		sum := 0.0
		for _, w := range c.shares {
			sum += w
		}
		require.InDelta(t, 1, sum, 1e-9)
		require.True(t, slices.IsSortedFunc(c.shares, func(a, b float64) int { return int(math.Copysign(1, b-a)) }))
		require.True(t, c.shares[0] >= 0.4 && c.shares[0] <= 0.75)
		last := c.shares[len(c.shares)-1]
		require.True(t, last >= 0.001 && last <= 0.01)
		require.True(t, c.total >= 120*gram.Gram && c.total <= 2500*gram.Gram)
	}
	for n := range 5 {
		assert.Greater(t, sizes[n+5], 50)
	}
}

// The bench's own rules refuse a reading that the cup cannot have; the rehearsal goes through them.
func TestGoesThroughTheBench(t *testing.T) {
	r := &rehearsal{seed: 1, hand: Hands()[1], shelf: newShelf(1, 0), division: gram.Of(0.1), limit: 0.3}
	c := newCup(1, 2, r.shelf)
	ok, err := r.prepare(&c)
	require.NoError(t, err)
	require.True(t, ok)
	m := &mixer{vessel: r.newVessel(c)}
	good, err := m.once(true)
	require.NoError(t, err)
	require.True(t, good)
	assert.Equal(t, pour.NeedNext, m.state.Need())
	var shown gram.Mass
	for i, k := range m.state.Components {
		assert.Equal(t, m.booked[shelfPlace(k.Key)], m.state.In[i], "the state and the display agree on %s", k.Name)
		shown += m.state.In[i]
	}
	assert.Equal(t, m.reading, shown)
	assert.Error(t, m.do(pour.Poured{Step: 1, Attempt: 1, Reading: m.reading}))
}

func BenchmarkCup(b *testing.B) {
	b.ReportAllocs()
	for seed := uint64(1); b.Loop(); seed++ {
		if _, err := Run(Setting{Cups: 1, Seed: seed, Hand: Hands()[1], Division: gram.Of(0.1)}, nil); err != nil {
			b.Fatal(err)
		}
	}
}
