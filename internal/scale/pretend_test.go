package scale

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/gram"
)

// 0.1 g up to 3 kg, 1 g above, 6.2 kg at most: an invented bench scale of the usual size.
var shopBalance = gram.Balance{Division: 100, HighFrom: 3_000_000, HighDivision: 1000, Max: 6_200_000}

// bench returns a pretend scale on a clock of its own, and a way to read it for some seconds of that clock.
func bench(t require.TestingT, s PretendSetup) (*Pretend, func(seconds float64) []Reading) {
	clock := NewStepped(midday)
	s.Clock = clock
	if s.Balance.Division == 0 {
		s.Balance = shopBalance
	}
	p, err := NewPretend(s)
	require.NoError(t, err)
	return p, func(seconds float64) []Reading {
		end := clock.Now().Add(time.Duration(seconds * float64(time.Second)))
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		var got []Reading
		err := p.Read(ctx, func(r Reading) {
			if got = append(got, r); !clock.Now().Before(end) {
				cancel()
			}
		})
		require.ErrorIs(t, err, context.Canceled)
		return got
	}
}

// The display follows a step as a first-order lag does, m(1 − exp(−t/τ)), within noise and rounding, and then
// comes to rest on the true load and says so.
func TestPretendSettles(t *testing.T) {
	const lag = 300 * time.Millisecond
	for _, noise := range []float64{-1, 0.3, 0.49} {
		p, read := bench(t, PretendSetup{Lag: lag, Noise: noise, Seed: 3})
		require.NoError(t, p.Place(81_234))
		bound := (math.Max(noise, 0) + 0.5) * 100
		away := 0.0
		for _, r := range read(6) {
			want := 81_234 * (1 - math.Exp(-r.At.Sub(midday).Seconds()/lag.Seconds()))
			if r.Stable {
				require.Equal(t, gram.Mass(81_200), r.Mass)
				require.Greater(t, r.At.Sub(midday), time.Second)
				continue
			}
			require.InDelta(t, want, float64(r.Mass), bound+1)
			away = math.Max(away, math.Abs(want-float64(r.Mass)))
		}
		last := read(1)
		assert.True(t, last[len(last)-1].Stable)
		if noise > 0 {
			assert.Greater(t, away, 50.0, "there is noise on top of the rounding")
		}
	}
}

func TestPretendTenReadingsASecond(t *testing.T) {
	_, read := bench(t, PretendSetup{})
	got := read(2)
	require.Len(t, got, 20)
	for i, r := range got {
		assert.Equal(t, time.Duration(i+1)*100*time.Millisecond, r.At.Sub(midday))
	}
	_, read = bench(t, PretendSetup{Rate: 5, Speed: 50})
	got = read(2)
	require.Len(t, got, 500, "two seconds of the clock are a hundred of the scale")
	assert.Equal(t, 100*time.Second, got[499].At.Sub(midday))
}

// A night away from the reader must pass as if it had been watched.
func TestPretendGoesOnUnwatched(t *testing.T) {
	watched, read := bench(t, PretendSetup{Seed: 5, Hand: Skilled()})
	require.NoError(t, watched.Place(50_000))
	require.NoError(t, watched.Pour(30_000))
	read(3600)

	clock := NewStepped(midday)
	alone, err := NewPretend(PretendSetup{Balance: shopBalance, Seed: 5, Hand: Skilled(), Clock: clock})
	require.NoError(t, err)
	require.NoError(t, alone.Place(50_000))
	require.NoError(t, alone.Pour(30_000))
	require.NoError(t, clock.Sleep(t.Context(), time.Hour))
	assert.False(t, alone.Pouring())
	assert.Equal(t, watched.True(), alone.True())
	assert.Greater(t, alone.True(), gram.Mass(80_000))
}

func TestPretendIsTheSameEveryTime(t *testing.T) {
	cup := func(seed uint64) []Reading {
		p, read := bench(t, PretendSetup{Seed: seed, Hand: Apprentice()})
		var all []Reading
		require.NoError(t, p.Place(43_210))
		all = append(all, read(3)...)
		for _, target := range []gram.Mass{25_000, 800, 120_000} {
			require.NoError(t, p.Pour(target))
			all = append(all, read(20)...)
		}
		return all
	}
	first := cup(11)
	assert.Equal(t, first, cup(11))
	assert.NotEqual(t, first, cup(12))
}

// Between two readings nobody can tell how often the scale was read: what is poured must not hang on it.
func TestPretendPoursTheSameAtAnyRate(t *testing.T) {
	var got []gram.Mass
	for _, rate := range []float64{1, 10, 25} {
		p, read := bench(t, PretendSetup{Rate: rate, Seed: 9, Hand: Apprentice()})
		for range 5 {
			require.NoError(t, p.Pour(40_000))
			read(30)
			require.False(t, p.Pouring())
		}
		got = append(got, p.True())
	}
	assert.Equal(t, got[0], got[1])
	assert.Equal(t, got[0], got[2])
}

func TestPretendOverLandsWithinOneDrop(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, read := bench(t, PretendSetup{Seed: rapid.Uint64().Draw(t, "seed"), Hand: Apprentice(), Rate: 2})
		cup := gram.Mass(rapid.IntRange(1000, 200_000).Draw(t, "cup"))
		target := gram.Mass(rapid.IntRange(100, 500_000).Draw(t, "target"))
		over := gram.Mass(rapid.IntRange(-90, 20_000).Draw(t, "over"))
		paste := rapid.Bool().Draw(t, "paste")
		require.NoError(t, p.Place(cup))
		p.Paste(paste)
		require.NoError(t, p.Over(over))
		require.NoError(t, p.Pour(target))
		for range 20 {
			read(5)
		}
		if p.Pouring() {
			t.Fatalf("still pouring %v after 100 s", target)
		}
		drop := gram.Mass(60)
		if paste {
			drop = 150
		}
		if miss := p.True() - (cup + target + over); miss < 0 || miss > drop {
			t.Fatalf("landed %v from where it was to land", miss)
		}
	})
}

// Whatever was done to it, once nothing moves the display shows the true load rounded to the division in force.
func TestPretendRestsOnTheTrueLoad(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := rapid.SampledFrom([]gram.Balance{
			shopBalance,
			{Division: 10, HighFrom: 600_000, HighDivision: 100, Max: 6_000_000},
			{Division: 50, Max: 3_000_000},
		}).Draw(t, "balance")
		p, read := bench(t, PretendSetup{Balance: b, Seed: rapid.Uint64().Draw(t, "seed"), Hand: Skilled(), Rate: 5})
		for range rapid.IntRange(1, 6).Draw(t, "acts") {
			// What is impossible at the moment is refused and changes nothing, so any act may be tried.
			m := gram.Mass(rapid.Int64Range(1, 900_000).Draw(t, "m"))
			switch rapid.IntRange(0, 6).Draw(t, "act") {
			case 0:
				_ = p.Place(m)
			case 1:
				_ = p.Lift()
			case 2:
				_ = p.Return()
			case 3:
				_ = p.Add(m)
			case 4:
				_ = p.Remove(m)
			case 5:
				_ = p.Pour(m)
			case 6:
				p.Stop()
			}
			read(rapid.Float64Range(0.1, 4).Draw(t, "wait"))
		}
		p.Stop()
		read(8)
		got := read(1)
		r := got[len(got)-1]
		want := p.True().Round(b.At(p.True()))
		switch {
		case p.True() > b.Max+9*b.At(b.Max):
			if r.Status != Overload {
				t.Fatalf("%v under %v", r.Status, p.True())
			}
		case r.Status != OK || !r.Stable || r.Mass != want:
			t.Fatalf("shows %v (stable %v, %v), the load is %v", r.Mass, r.Stable, r.Status, p.True())
		}
	})
}

// The times and the usual excess of a hand are common practice, from memory.
func TestPretendPoursLikeAHand(t *testing.T) {
	p, read := bench(t, PretendSetup{Hand: Sure(), Seed: 1})
	require.NoError(t, p.Place(50_000))
	read(3)
	require.NoError(t, p.Pour(100_000))
	took, steps, before := 0.0, 0, gram.Mass(0)
	for p.Pouring() {
		r := read(0.1)[0]
		took += 0.1
		if r.Mass > before {
			steps, before = steps+1, r.Mass
		}
	}
	assert.Greater(t, took, 6.0)
	assert.Less(t, took, 10.0)
	assert.Greater(t, steps, 40, "the display is seen to rise all the while")

	rng := rand.New(rand.NewPCG(1, 1))
	n, slips, small, large := 20_000, 0, 0.0, 0.0
	for range n {
		if e := Skilled().excess(10_000, rng); e > 200 {
			slips++
		} else {
			small += e.Grams()
		}
		e := Skilled().excess(150_000, rng)
		require.GreaterOrEqual(t, e, gram.Mass(200))
		if e <= 1000 {
			large += e.Grams()
		}
	}
	// A slip on top of the usual excess stays under 0.2 g now and then, so a little under one in thirty is seen.
	assert.InDelta(t, 1.0/30, float64(slips)/float64(n), 0.005)
	assert.InDelta(t, 0.1, small/float64(n), 0.01)
	assert.InDelta(t, 0.6, large/float64(n), 0.03)
	assert.Zero(t, Sure().excess(10_000, rng))
}

func TestPretendFaults(t *testing.T) {
	last := func(r []Reading) Reading { return r[len(r)-1] }

	t.Run("lift and return", func(t *testing.T) {
		p, read := bench(t, PretendSetup{})
		require.NoError(t, p.Place(62_000))
		require.NoError(t, p.Pour(300_000))
		read(3)
		require.NoError(t, p.Lift())
		assert.False(t, p.Pouring(), "a lifted cup ends the pour")
		assert.Zero(t, last(read(4)).Mass)
		require.ErrorContains(t, p.Lift(), "already off the scale")
		require.ErrorContains(t, p.Pour(1000), "put it back before pouring")
		require.NoError(t, p.Return())
		assert.Equal(t, p.True().Round(100), last(read(4)).Mass)
		require.ErrorContains(t, p.Return(), "nothing to put back")
	})

	t.Run("tared by hand", func(t *testing.T) {
		p, read := bench(t, PretendSetup{})
		require.NoError(t, p.Place(62_000))
		read(3)
		p.Zero()
		assert.Zero(t, last(read(1)).Mass)
		require.NoError(t, p.Add(5_000))
		assert.Equal(t, gram.Mass(5_000), last(read(3)).Mass)
		require.NoError(t, p.Lift())
		assert.Equal(t, gram.Mass(-62_000), last(read(3)).Mass)
	})

	t.Run("unplugged", func(t *testing.T) {
		p, read := bench(t, PretendSetup{})
		require.NoError(t, p.Place(62_000))
		before := last(read(3)).Serial
		n := 0
		err := p.Read(t.Context(), func(Reading) { n++; p.Unplug() })
		require.ErrorIs(t, err, ErrGone)
		assert.Equal(t, 1, n)
		require.ErrorIs(t, p.Read(t.Context(), func(Reading) { t.Error("read without a plug") }), ErrGone)
		require.NoError(t, p.Add(10_000))
		p.Plug()
		r := last(read(3))
		assert.Equal(t, gram.Mass(72_000), r.Mass)
		assert.Equal(t, before+1+30, r.Serial)
	})

	t.Run("in ounces", func(t *testing.T) {
		p, read := bench(t, PretendSetup{})
		require.NoError(t, p.Place(62_000))
		read(3)
		p.Ounces(true)
		r := last(read(1))
		assert.Equal(t, WrongUnit, r.Status)
		// 62 g / 28.349523125 g = 2.18698 oz, on a 0.005 oz display 2.185 oz = 61.9437 g (1 oz by definition).
		assert.Equal(t, gram.Mass(61_944), r.Mass)
		assert.Contains(t, r.Raw, "2.185")
		p.Ounces(false)
		assert.Equal(t, OK, last(read(1)).Status)
	})

	t.Run("asleep", func(t *testing.T) {
		p, read := bench(t, PretendSetup{})
		require.NoError(t, p.Place(62_000))
		read(3)
		p.Sleep()
		r := last(read(1))
		assert.Equal(t, Asleep, r.Status)
		assert.Zero(t, r.Mass)
		require.NoError(t, p.Add(50))
		assert.Equal(t, Asleep, last(read(1)).Status, "half a division does not wake it")
		require.NoError(t, p.Add(500))
		assert.Equal(t, OK, last(read(1)).Status)
	})

	t.Run("overloaded", func(t *testing.T) {
		p, read := bench(t, PretendSetup{})
		require.NoError(t, p.Place(6_209_000))
		assert.Equal(t, OK, last(read(5)).Status)
		require.NoError(t, p.Add(1))
		r := last(read(1))
		assert.Equal(t, Overload, r.Status)
		assert.Zero(t, r.Mass)
	})

	t.Run("under a fan", func(t *testing.T) {
		p, read := bench(t, PretendSetup{Seed: 4})
		require.NoError(t, p.Place(62_000))
		read(3)
		require.NoError(t, p.Draught(4))
		seen := map[gram.Mass]bool{}
		for _, r := range read(10) {
			assert.False(t, r.Stable)
			assert.InDelta(t, 62_000, float64(r.Mass), 450)
			seen[r.Mass] = true
		}
		assert.Greater(t, len(seen), 3)
		require.NoError(t, p.Draught(0))
		assert.True(t, last(read(2)).Stable)
	})
}

func TestPretendRefuses(t *testing.T) {
	for why, s := range map[string]PretendSetup{
		"give it one, such as 0.1 g":         {},
		"upper range the larger division":    {Balance: gram.Balance{Division: 100, HighFrom: 1000, HighDivision: 10}},
		"between two of its steps":           {Balance: gram.Balance{Division: 100, HighFrom: 1100, HighDivision: 1000}},
		"cannot carry":                       {Balance: gram.Balance{Division: 100, Max: -1}},
		"ask for 1 to 100":                   {Balance: shopBalance, Rate: math.NaN()},
		"cannot lag by":                      {Balance: shopBalance, Lag: -time.Second},
		"less than half a division":          {Balance: shopBalance, Noise: 0.5},
		"times the clock: ask for up to 100": {Balance: shopBalance, Speed: -1},
		"cannot usually pour":                {Balance: shopBalance, Hand: Hand{LargeExcess: -1}},
		"give a share of 0 to 1":             {Balance: shopBalance, Hand: Hand{Slip: math.NaN()}},
	} {
		_, err := NewPretend(s)
		assert.ErrorContains(t, err, why)
	}
	p, _ := bench(t, PretendSetup{})
	assert.ErrorContains(t, p.Place(0), "cannot weigh")
	assert.ErrorContains(t, p.Add(-5), "cannot be put on")
	assert.ErrorContains(t, p.Remove(5), "there is 0.000 g on the scale")
	assert.ErrorContains(t, p.Pour(0), "cannot be poured")
	assert.ErrorContains(t, p.Draught(math.Inf(1)), "not one")
	require.NoError(t, p.Over(-600))
	assert.ErrorContains(t, p.Pour(500), "cannot end")
	require.NoError(t, p.Pour(5000), "the order still stands for the next pour")
	assert.ErrorContains(t, p.Pour(5000), "already pouring")
	assert.Zero(t, p.True())
}

// Many hands at one scale; the race detector listens.
func TestPretendInManyHands(t *testing.T) {
	p, err := NewPretend(PretendSetup{Balance: shopBalance, Speed: 1000})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { assert.ErrorIs(t, p.Read(ctx, func(Reading) { p.True() }), context.Canceled) })
	require.NoError(t, p.Place(1_000))
	var hands sync.WaitGroup
	for range 4 {
		hands.Go(func() {
			for range 50 {
				assert.NoError(t, p.Add(200))
				assert.NoError(t, p.Remove(100))
				p.Pouring()
			}
		})
	}
	hands.Wait()
	cancel()
	wg.Wait()
	assert.Equal(t, gram.Mass(1_000+4*50*100), p.True())
}

// A cup is put on, 25 g are poured with half a gram too much, and the display comes to rest. On a stepped clock
// that takes no time and gives the same every time.
func ExamplePretend() {
	p, err := NewPretend(PretendSetup{
		Balance: gram.Balance{Division: 100, Max: 6 * gram.Kilogram},
		Seed:    1,
		Clock:   NewStepped(time.Date(2031, 3, 4, 12, 0, 0, 0, time.UTC)),
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	_ = p.Place(62 * gram.Gram)
	_ = p.Over(gram.Of(0.5))

	ctx, cancel := context.WithCancel(context.Background())
	steady := Steady{Window: 2 * time.Second, Within: 100}
	poured := false
	err = p.Read(ctx, func(r Reading) {
		switch _, still := steady.Add(r); {
		case still && !poured:
			fmt.Println("cup", r.Mass.Show(100))
			_ = p.Pour(25 * gram.Gram)
			poured = true
			steady.Reset()
		case still && !p.Pouring():
			fmt.Println("cup and paint", r.Mass.Show(100))
			cancel()
		}
	})
	fmt.Println(err)
	// Output:
	// cup 62.0
	// cup and paint 87.5
	// context canceled
}

func BenchmarkPretendSecond(b *testing.B) {
	p, read := bench(b, PretendSetup{Hand: Skilled(), Balance: gram.Balance{Division: 100}})
	for b.Loop() {
		if !p.Pouring() {
			require.NoError(b, p.Place(1000))
			require.NoError(b, p.Pour(500_000))
		}
		read(1)
	}
}
