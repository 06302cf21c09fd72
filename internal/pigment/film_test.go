package pigment

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// km_film_worked.csv: checked by its maker against numerical integration of dR/dX = S - 2(K+S)R + S R².
func TestFilmWorked(t *testing.T) {
	rows := table(t, "km_film_worked.csv")
	require.Len(t, rows, 32)
	for _, row := range rows {
		k, s, x, ground := number(t, row, "K"), number(t, row, "S"), number(t, row, "X"), number(t, row, "Rg")
		assert.InDelta(t, number(t, row, "R"), Film(k, s, x, ground), 1e-10, "%v", row)
	}
}

// The closed forms that the hyperbolic solution runs into.
func TestFilmLimits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.Float64Range(0, 20).Draw(t, "K")
		s := rapid.Float64Range(0, 20).Draw(t, "S")
		x := rapid.Float64Range(0, 10).Draw(t, "X")
		ground := rapid.Float64Range(0, 1).Draw(t, "ground")
		require.InDelta(t, ground, Film(k, s, 0, ground), 1e-12, "no film: the ground")
		require.InDelta(t, ground*math.Exp(-2*k*x), Film(k, 0, x, ground), 1e-12, "no scattering: Beer and Lambert, there and back")
		require.InDelta(t, (ground+s*x*(1-ground))/(1+s*x*(1-ground)), Film(0, s, x, ground), 1e-12, "no absorption")
		if k > 1e-3 && s > 1e-3 {
			require.InDelta(t, Opaque(k, s), Film(k, s, 1e6, ground), 1e-12, "a thick film: R∞")
			require.InDelta(t, Opaque(k, s), Film(k, s, x, Opaque(k, s)), 1e-12, "over its own colour a film does not show")
		}
		require.Equal(t, Opaque(k, s), Film(k, s, math.Inf(1), 0))

		r := Film(k, s, x, ground)
		require.True(t, r >= 0 && r <= 1+1e-12, "reflectance %v", r)
		y := rapid.Float64Range(0, 5).Draw(t, "second coat")
		require.InDelta(t, Film(k, s, x+y, ground), Film(k, s, y, r), 1e-9, "two coats are one film of both thicknesses")
	})
}

func TestFilmSlopesAgainstDifferences(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.Float64Range(1e-3, 5).Draw(t, "K")
		s := rapid.Float64Range(1e-3, 5).Draw(t, "S")
		x := rapid.Float64Range(1e-3, 3).Draw(t, "X")
		ground := rapid.Float64Range(0, 1).Draw(t, "ground")
		const h = 1e-5
		rel := func(v float64) float64 { return h * v }
		near := func(want, got float64, what string) {
			t.Helper()
			require.InDelta(t, want, got, 1e-6*(1+math.Abs(want)), what)
		}
		r, byK, byS, byX := filmSlopes(k, s, x, ground)
		require.InDelta(t, Film(k, s, x, ground), r, 1e-14)
		near((Film(k+rel(k), s, x, ground)-Film(k-rel(k), s, x, ground))/(2*rel(k)), byK, "by K")
		near((Film(k, s+rel(s), x, ground)-Film(k, s-rel(s), x, ground))/(2*rel(s)), byS, "by S")
		near((Film(k, s, x+rel(x), ground)-Film(k, s, x-rel(x), ground))/(2*rel(x)), byX, "by thickness")

		r, byK, byS = opaqueSlopes(k, s)
		require.Equal(t, Opaque(k, s), r)
		near((Opaque(k+rel(k), s)-Opaque(k-rel(k), s))/(2*rel(k)), byK, "opaque by K")
		near((Opaque(k, s+rel(s))-Opaque(k, s-rel(s)))/(2*rel(s)), byS, "opaque by S")
	})
}

// On either side of the change from series to closed form both must agree.
func TestHyperbolicIsSmooth(t *testing.T) {
	for _, x := range []float64{0.01, 1, 50} {
		s := 2.0
		k := 0.02 * 0.02 / (x * x) / (2 * s) // BX is 0.02 but for K²
		t1, u1, c1 := hyperbolic(k*(1-1e-9), s, x)
		t2, u2, c2 := hyperbolic(k*(1+1e-9), s, x)
		assert.InEpsilon(t, t1, t2, 1e-9)
		assert.InEpsilon(t, u1, u2, 1e-8)
		assert.InEpsilon(t, c1, c2, 1e-9)
	}
	// And at 0 itself: no absorption at all.
	_, byK, byS, byX := filmSlopes(0, 1, 1, 0)
	const h = 1e-6
	assert.InDelta(t, (Film(h, 1, 1, 0)-Film(0, 1, 1, 0))/h, byK, 1e-5)
	assert.InDelta(t, (Film(0, 1+h, 1, 0)-Film(0, 1-h, 1, 0))/(2*h), byS, 1e-6)
	assert.InDelta(t, (Film(0, 1, 1+h, 0)-Film(0, 1, 1-h, 0))/(2*h), byX, 1e-6)
}

func TestUnfilm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		kx := rapid.Float64Range(0, 1).Draw(t, "KX")
		sx := rapid.Float64Range(0.05, 3).Draw(t, "SX")
		gotK, gotS, err := Unfilm(Film(kx, sx, 1, 0.03), 0.03, Film(kx, sx, 1, 0.85), 0.85)
		require.NoError(t, err)
		require.InDelta(t, kx, gotK, 1e-6)
		require.InDelta(t, sx, gotS, 1e-6)
	})
	_, _, err := Unfilm(0.5, 0.3, 0.5, 0.3)
	assert.EqualError(t, err, "the two grounds are alike, so they cannot tell how a film hides: use a black and a white one")
	_, _, err = Unfilm(0.5, 0.03, 0.5, 0.85)
	assert.ErrorContains(t, err, "measure it as opaque")
	_, _, err = Unfilm(0.9, 0.03, 0.2, 0.85)
	assert.Error(t, err)
}
