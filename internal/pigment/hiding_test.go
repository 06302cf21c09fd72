package pigment

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/colour"
)

func flatPalette(t testing.TB, k, s float64, surface Surface) *Palette {
	t.Helper()
	p := Pigment{Name: "grey", Grid: colour.Paint()}
	for range 31 {
		p.K, p.S = append(p.K, k), append(p.S, s)
	}
	palette, err := NewPalette([]Pigment{p}, surface)
	require.NoError(t, err)
	return palette
}

// Contrast of worked films (km_film_worked.csv): a grey film has the same reflectance at every wavelength, so Y over
// black by Y over white is the quotient of two rows.
func TestContrastOfWorkedFilms(t *testing.T) {
	rows := table(t, "km_film_worked.csv")
	for i := 0; i+2 < len(rows); i += 4 {
		black, white := rows[i+1], rows[i+2] // over 0.05 and over 0.8
		require.InDelta(t, 0.05, number(t, black, "Rg"), 0)
		require.InDelta(t, 0.8, number(t, white, "Rg"), 0)
		palette := flatPalette(t, number(t, black, "K"), number(t, black, "S"), Surface{})
		got, err := palette.Contrast([]float64{1}, number(t, black, "X"), Chart{grey(t, 0.05), grey(t, 0.8)}, d65(t))
		require.NoError(t, err)
		assert.InDelta(t, number(t, black, "R")/number(t, white, "R"), got, 1e-9, "%v", black)
	}
}

// With neither absorption nor surface, over a black of 0 and a white of g, the contrast ratio C needs, by hand from
// R0 = SX/(1+SX) and Rg = (g + SX(1-g))/(1 + SX(1-g)), a thickness that solves C = R0/Rg.
func TestThicknessToHideClosedForm(t *testing.T) {
	const s, g, c = 2.0, 0.8, Hidden
	x, err := flatPalette(t, 0, s, Surface{}).ThicknessToHide([]float64{1}, c, Chart{grey(t, 0), grey(t, g)}, d65(t))
	require.NoError(t, err)
	// u = SX: u(1 + u(1-g)) = c (g + u(1-g)) (1+u), a quadratic in u.
	qa, qb, qc := (1-g)*(1-c), 1-c*g-c*(1-g), -c*g
	u := (-qb + math.Sqrt(qb*qb-4*qa*qc)) / (2 * qa)
	assert.InEpsilon(t, u/s, x, 1e-8)
}

func TestThicknessToHideIsTheLeast(t *testing.T) {
	palette, weights := openPalette(t), d65(t)
	chart := Chart{grey(t, 0.05), grey(t, 0.8)}
	rapid.Check(t, func(t *rapid.T) {
		parts := rapid.SliceOfN(rapid.Float64Range(0, 10), 16, 16).Draw(t, "parts")
		parts[0]++
		want := rapid.Float64Range(0.5, 0.999).Draw(t, "contrast")
		x, err := palette.ThicknessToHide(parts, want, chart, weights)
		require.NoError(t, err)
		at, err := palette.Contrast(parts, x, chart, weights)
		require.NoError(t, err)
		require.GreaterOrEqual(t, at, want)
		below, err := palette.Contrast(parts, x*(1-1e-6), chart, weights)
		require.NoError(t, err)
		require.Less(t, below, want)
	})
}

func TestHidingRefusesBadInput(t *testing.T) {
	weights := d65(t)
	palette := flatPalette(t, 0.5, 1, Surface{})
	chart := Chart{grey(t, 0.05), grey(t, 0.8)}
	_, err := palette.Contrast([]float64{1}, 1, Chart{chart.White, chart.Black}, weights)
	assert.EqualError(t, err, "the chart's white ground is not brighter than its black one: check which is which")
	_, err = palette.Contrast([]float64{1}, 1, Chart{}, weights)
	assert.EqualError(t, err, "hiding needs a chart: give the spectra of its black and its white ground")
	_, err = palette.Contrast([]float64{1}, 0, chart, weights)
	assert.EqualError(t, err, "the film's thickness is 0: it must be above 0")
	for _, bad := range []float64{0, 1, 98, math.NaN()} {
		_, err = palette.ThicknessToHide([]float64{1}, bad, chart, weights)
		assert.ErrorContains(t, err, "ask for one above 0 and below 1")
	}
	_, err = flatPalette(t, 0, 0, Surface{}).ThicknessToHide([]float64{1}, Hidden, chart, weights)
	assert.EqualError(t, err, "this mixture never hides to 98 %: it neither absorbs nor scatters enough, so choose the ground for it instead")
	x, err := palette.ThicknessToHide([]float64{1}, 0.05, chart, weights)
	require.NoError(t, err)
	assert.Zero(t, x, "the bare chart has a contrast ratio of 0.0625 already")
}

func TestCoats(t *testing.T) {
	for _, c := range []struct {
		thickness, perCoat float64
		want               int
	}{{0, 15, 1}, {10, 15, 1}, {15, 15, 1}, {15.1, 15, 2}, {0.3, 0.1, 3}, {44, 15, 3}} {
		got, err := Coats(c.thickness, c.perCoat)
		require.NoError(t, err)
		assert.Equal(t, c.want, got, "%v by %v", c.thickness, c.perCoat)
	}
	_, err := Coats(10, 0)
	assert.EqualError(t, err, "the thickness of one coat is 0: it must be above 0")
	_, err = Coats(math.Inf(1), 1)
	assert.Error(t, err)
	_, err = Coats(1e6, 1)
	assert.ErrorContains(t, err, "choose the ground")
}
