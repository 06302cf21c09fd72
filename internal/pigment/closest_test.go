package pigment

import (
	"cmp"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/colour"
)

func anyLab(t *rapid.T, name string) colour.Lab {
	return colour.Lab{
		L: rapid.Float64Range(0, 100).Draw(t, name+" L"), A: rapid.Float64Range(-120, 120).Draw(t, name+" a"), B: rapid.Float64Range(-120, 120).Draw(t, name+" b"),
	}
}

// What is called a bound is below ΔE00: on any pair, and on those of Sharma, Wu and Dalal (2005), which sit where the
// formula is at its oddest.
func TestBoundIsBelowTheDifference(t *testing.T) {
	holds := func(t require.TestingT, x, y colour.Lab) {
		require.LessOrEqual(t, boundFrom(x).below(y, y.Chroma()), colour.DeltaE2000(x, y), "%v %v", x, y)
	}
	rapid.Check(t, func(t *rapid.T) { holds(t, anyLab(t, "first"), anyLab(t, "second")) })
	rng := rand.New(rand.NewPCG(1, 2))
	for range 20_000 { // close ones, where it is used
		x := colour.Lab{L: 100 * rng.Float64(), A: 200*rng.Float64() - 100, B: 200*rng.Float64() - 100}
		holds(t, x, colour.Lab{L: min(100, max(0, x.L+rng.NormFloat64())), A: x.A + 3*rng.NormFloat64(), B: x.B + 3*rng.NormFloat64()})
	}
	for _, row := range table(t, "ciede2000_sharma_2005.csv") {
		x := colour.Lab{L: number(t, row, "L1"), A: number(t, row, "a1"), B: number(t, row, "b1")}
		y := colour.Lab{L: number(t, row, "L2"), A: number(t, row, "a2"), B: number(t, row, "b2")}
		holds(t, x, y)
		holds(t, y, x)
	}
}

func shades(n int, seed uint64) []colour.Lab {
	rng := rand.New(rand.NewPCG(seed, 7))
	out := make([]colour.Lab, n)
	for i := range out {
		out[i] = colour.Lab{L: 100 * rng.Float64(), A: 160*rng.Float64() - 80, B: 160*rng.Float64() - 80}
	}
	return out
}

func TestClosestAgainstAllOfThem(t *testing.T) {
	list := shades(3000, 1)
	list = append(list, list[:50]...) // and some twice
	swatches, err := NewSwatches(list)
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		target := anyLab(t, "target")
		n := rapid.IntRange(1, 12).Draw(t, "n")
		var want []Near
		for i, lab := range list {
			want = append(want, Near{i, colour.DeltaE2000(target, lab)})
		}
		slices.SortStableFunc(want, func(a, b Near) int { return cmp.Compare(a.DeltaE, b.DeltaE) })
		got, err := swatches.Closest(target, n)
		require.NoError(t, err)
		require.Equal(t, want[:n], got)
	})
	few, err := NewSwatches(list[:3])
	require.NoError(t, err)
	got, err := few.Closest(list[1], 5)
	require.NoError(t, err)
	assert.Len(t, got, 3)
	assert.Equal(t, Near{At: 1}, got[0])
	none, err := NewSwatches(nil)
	require.NoError(t, err)
	got, err = none.Closest(list[1], 5)
	require.NoError(t, err)
	assert.Empty(t, got)
}

func TestClosestRefusesBadInput(t *testing.T) {
	_, err := NewSwatches([]colour.Lab{{L: 50}, {L: 500}})
	assert.ErrorContains(t, err, "colour 2 of the list: L of the colour is 500")
	s, err := NewSwatches([]colour.Lab{{L: 50}})
	require.NoError(t, err)
	_, err = s.Closest(colour.Lab{L: -1}, 1)
	assert.Error(t, err)
	_, err = s.Closest(colour.Lab{L: 1}, 0)
	assert.EqualError(t, err, "no colour was asked for: ask for at least one")
}

func BenchmarkClosest100000(b *testing.B) {
	swatches, err := NewSwatches(shades(100_000, 2))
	require.NoError(b, err)
	for name, target := range map[string]colour.Lab{"in the midst": {L: 55, A: 20, B: 30}, "blue": {L: 30, A: 20, B: -60}, "beyond all": {L: 50, A: 120, B: -120}} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				got, err := swatches.Closest(target, 5)
				require.NoError(b, err)
				sink = got[0].DeltaE
			}
		})
	}
}
