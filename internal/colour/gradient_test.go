package colour_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/colour"
)

// The value against the published pairs and the thousand of the other libraries.
func TestSlopeHasTheValueOfTheFormula(t *testing.T) {
	for _, name := range []string{"ciede2000_sharma_2005.csv", "second_opinion.csv"} {
		for i, row := range table(t, name) {
			standard, sample := pair(t, row)
			e, _ := colour.DeltaE2000Slope(standard, sample)
			assert.InDelta(t, number(t, row, "dE00"), e, 1e-4, "%s row %d", name, i+1)
			assert.InDelta(t, colour.DeltaE2000(standard, sample), e, 1e-9, "%s row %d", name, i+1)
		}
	}
}

func TestSlopeAgainstDifferences(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		standard := anyLab().Draw(t, "standard")
		step := rapid.Custom(func(t *rapid.T) colour.Lab {
			return colour.Lab{L: rapid.Float64Range(-20, 20).Draw(t, "dL"), A: rapid.Float64Range(-20, 20).Draw(t, "da"), B: rapid.Float64Range(-20, 20).Draw(t, "db")}
		}).Draw(t, "step")
		sample := colour.Lab{L: standard.L + step.L, A: standard.A + step.A, B: standard.B + step.B}
		h1, h2 := standard.LCh().H, sample.LCh().H
		apart := math.Abs(h1 - h2)
		// Near 0, near a grey and near hues 180 degrees apart the formula has corners and jumps.
		if colour.DeltaE2000(standard, sample) < 0.01 || standard.Chroma() < 0.5 || sample.Chroma() < 0.5 || math.Abs(apart-180) < 5 {
			return
		}
		_, got := colour.DeltaE2000Slope(standard, sample)
		const h = 1e-5
		for name, c := range map[string]struct {
			move colour.Lab
			got  float64
		}{"L": {colour.Lab{L: h}, got.L}, "a": {colour.Lab{A: h}, got.A}, "b": {colour.Lab{B: h}, got.B}} {
			up := colour.Lab{L: sample.L + c.move.L, A: sample.A + c.move.A, B: sample.B + c.move.B}
			down := colour.Lab{L: sample.L - c.move.L, A: sample.A - c.move.A, B: sample.B - c.move.B}
			want := (colour.DeltaE2000(standard, up) - colour.DeltaE2000(standard, down)) / (2 * h)
			require.InDelta(t, want, c.got, 1e-4*(1+math.Abs(want)), "by %s", name)
		}
	})
}

func TestSlopeAtCornersIsFinite(t *testing.T) {
	for _, p := range [][2]colour.Lab{{{L: 50}, {L: 50}}, {{L: 50}, {L: 51}}, {{L: 50, A: 5}, {L: 50}}, {{L: 50}, {L: 50, B: -5}}, {{}, {}}} {
		e, by := colour.DeltaE2000Slope(p[0], p[1])
		assert.InDelta(t, colour.DeltaE2000(p[0], p[1]), e, 1e-12)
		assert.False(t, math.IsNaN(by.L+by.A+by.B) || math.IsInf(by.L+by.A+by.B, 0), "%v %v", p, by)
	}
}

func TestLabSlopeAgainstDifferences(t *testing.T) {
	white, err := colour.White(colour.D65, colour.TenDegrees)
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		one := rapid.Float64Range(0.05, 100)
		v := colour.XYZ{X: one.Draw(t, "X"), Y: one.Draw(t, "Y"), Z: one.Draw(t, "Z")}
		change := colour.XYZ{X: one.Draw(t, "dX"), Y: one.Draw(t, "dY"), Z: -one.Draw(t, "dZ")}
		const h = 1e-7
		up := colour.XYZ{X: v.X + h*change.X, Y: v.Y + h*change.Y, Z: v.Z + h*change.Z}.Lab(white)
		down := colour.XYZ{X: v.X - h*change.X, Y: v.Y - h*change.Y, Z: v.Z - h*change.Z}.Lab(white)
		got := v.LabSlope(change, white)
		scale := 1e-4 * (1 + math.Abs(got.L) + math.Abs(got.A) + math.Abs(got.B))
		require.InDelta(t, (up.L-down.L)/(2*h), got.L, scale)
		require.InDelta(t, (up.A-down.A)/(2*h), got.A, scale)
		require.InDelta(t, (up.B-down.B)/(2*h), got.B, scale)
	})
}

func BenchmarkDeltaE2000Slope(b *testing.B) {
	standard, sample := colour.Lab{L: 50, A: 2.6772, B: -79.7751}, colour.Lab{L: 50, B: -82.7485}
	b.ReportAllocs()
	for b.Loop() {
		sink, _ = colour.DeltaE2000Slope(standard, sample)
	}
}
