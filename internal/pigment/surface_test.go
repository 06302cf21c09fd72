package pigment

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// km_opaque_worked.csv: R∞ with its K/S and what an instrument reads under three surfaces, ten decimals.
func TestOpaqueAndSurfaceWorked(t *testing.T) {
	surfaces := map[string]Surface{
		"Rm_k1_0.04_k2_0.60": {K1: 0.04, K2: 0.60}, "Rm_k1_0.035_k2_0.60": {K1: 0.035, K2: 0.60}, "Rm_k1_0_k2_0.40": {K2: 0.40},
	}
	for _, row := range table(t, "km_opaque_worked.csv") {
		want := number(t, row, "R_inf")
		// The file's K/S has ten figures, which near white is 1e-10 in the root of K/S.
		assert.InDelta(t, want, Opaque(number(t, row, "K_over_S"), 1), 1e-9)
		assert.InDelta(t, want, Opaque(7*number(t, row, "K_over_S"), 7), 1e-9, "only K/S counts")
		for column, surface := range surfaces {
			m := number(t, row, column)
			assert.InDelta(t, m, surface.Measured(want), 1e-10, column)
			back, err := surface.Within(m)
			require.NoError(t, err)
			assert.InDelta(t, want, back, 1e-9, column)
			surface.SpecularExcluded = true
			assert.InDelta(t, m-surface.K1, surface.Measured(want), 1e-10, "without the gloss the leading k1 is gone")
		}
	}
}

func TestSurfaceThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := Surface{rapid.Float64Range(0, 0.2).Draw(t, "k1"), rapid.Float64Range(0, 0.9).Draw(t, "k2"), rapid.Bool().Draw(t, "excluded")}
		r := rapid.Float64Range(0, 1).Draw(t, "r")
		m := s.Measured(r)
		require.True(t, m >= 0 && m <= 1, "%v", m)
		back, err := s.Within(m)
		require.NoError(t, err)
		require.InDelta(t, r, back, 1e-9)
		const h = 1e-6
		if r > h && r < 1-h {
			require.InEpsilon(t, (s.Measured(r+h)-s.Measured(r-h))/(2*h), s.slope(r), 1e-5)
		}
	})
}

func TestSurfaceRefusesBadInput(t *testing.T) {
	for says, s := range map[string]Surface{
		"the surface's k1 is 1: it must be at least 0 and below 1, usually k1 0.04 and k2 0.6":    {K1: 1},
		"the surface's k1 is NaN: it must be at least 0 and below 1, usually k1 0.04 and k2 0.6":  {K1: math.NaN()},
		"the surface's k2 is -0.1: it must be at least 0 and below 1, usually k1 0.04 and k2 0.6": {K2: -0.1},
	} {
		assert.EqualError(t, s.Valid(), says)
	}
	s := Surface{K1: 0.04, K2: 0.6}
	_, err := s.Within(0.03)
	assert.EqualError(t, err, "a reflectance of 0.03 is darker than the surface alone: use a smaller k1, or say that gloss was excluded")
	s.SpecularExcluded = true
	_, err = s.Within(0.97)
	assert.ErrorContains(t, err, "is brighter than a perfect white under this surface")
	_, err = s.Within(math.NaN())
	assert.Error(t, err)
}
