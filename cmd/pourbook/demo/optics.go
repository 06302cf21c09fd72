package demo

import (
	"context"
	"errors"
	"fmt"
	"math"

	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/pigment"
	"pourbook/internal/store"
)

// opticsSource stands wherever a screen says where colour data are from.
const opticsSource = "invented for the demo, not measured"

// The absorption of an invented toner: three bands in ln(K/S), nm. Real pigments are no three Gaussians; these give
// smooth curves whose masstone is the toner's swatch.
var (
	bandCentres = [3]float64{440, 540, 635}
	bandWidth   = 42.0
)

func band(i int, nm float64) float64 {
	d := (nm - bandCentres[i]) / bandWidth
	return math.Exp(-d * d / 2)
}

// scatters is S of a gram of an invented toner at 550 nm, the white's being 1: white pigment scatters most, earths and
// opaque yellows less, strong organic pigments and blacks least. The order is that of textbooks; the figures are set by eye.
func scatters(t formula.Toner) float64 {
	switch {
	case t.Kind == formula.Binder:
		return 0.004
	case t.Strength == formula.Strong:
		return 0.35
	case t.Strength == formula.Medium:
		return 0.45
	}
	return 1
}

// opticsOf makes up K and S of a solid toner or binder: scattering that falls towards red, and absorption in three bands
// chosen so that the toner alone, hiding, has the colour of its swatch. ok is false for flake and pearl, which have none,
// and for what is no part of the paint.
func opticsOf(t formula.Toner) (o store.Optics, ok bool, err error) {
	o = store.Optics{TonerID: t.ID, Source: opticsSource, Invented: true}
	grid := colour.Paint()
	o.S = make([]float64, grid.Count)
	for i := range o.S {
		o.S[i] = sixth(scatters(t) * math.Pow(grid.Wavelength(i)/550, -0.5))
	}
	switch t.Kind {
	case formula.Binder: // clear, a little yellow
		o.K = make([]float64, grid.Count)
		for i := range o.K {
			o.K[i] = sixth(0.0002 + 0.0006*band(0, grid.Wavelength(i)))
		}
		return o, true, nil
	case formula.Solid:
	default:
		return o, false, nil
	}
	want, err := colour.ParseHex(t.Swatch)
	if err != nil {
		return o, false, fmt.Errorf("%s: %w", t.Name, err)
	}
	flat := make([]float64, grid.Count)
	for i := range flat {
		flat[i] = 0.3 // K/S of a middling grey to begin with
	}
	ratio, err := bend(flat, want)
	if err != nil {
		return o, false, fmt.Errorf("%s: %w", t.Name, err)
	}
	o.K = ratio
	for i := range o.K {
		o.K[i] = sixth(o.K[i] * o.S[i])
	}
	return o, true, nil
}

// sixth rounds to six decimals, more than any drawdown gives.
func sixth(v float64) float64 { return math.Round(1e6*v) / 1e6 }

// bend multiplies K/S of a paint that hides by e to three bands and a level so that its colour is want (D65, 10
// degrees) or, where no such paint is, as near as the bands come: Newton steps with the slopes taken by differences.
func bend(ratio []float64, want colour.Lab) ([]float64, error) {
	grid := colour.Paint()
	weights, err := colour.NewWeights(grid, colour.D65, colour.TenDegrees)
	if err != nil {
		return nil, err
	}
	out, read := make([]float64, len(ratio)), make([]float64, len(ratio))
	at := func(a [3]float64) colour.Lab {
		for i, q := range ratio {
			sum := 0.0
			for j := range a {
				sum += a[j] * band(j, grid.Wavelength(i))
			}
			out[i] = q * math.Exp(sum)
			read[i] = store.Surface().Measured(pigment.Opaque(out[i], 1))
		}
		return weights.Lab(read)
	}
	var a [3]float64
	now := at(a)
	for range 80 {
		if colour.DeltaE76(want, now) < 1e-6 {
			break
		}
		var m [3][4]float64
		const h = 1e-5
		for j := range a {
			b := a
			b[j] += h
			d := at(b)
			m[0][j], m[1][j], m[2][j] = (d.L-now.L)/h, (d.A-now.A)/h, (d.B-now.B)/h
		}
		m[0][3], m[1][3], m[2][3] = want.L-now.L, want.A-now.A, want.B-now.B
		step, ok := solve3(m)
		if !ok {
			break
		}
		better := false
		for scale := 1.0; scale > 1e-4; scale /= 2 {
			b := a
			for j := range b {
				b[j] = min(max(b[j]+scale*min(max(step[j], -3), 3), -9), 9)
			}
			if d := at(b); colour.DeltaE76(want, d) < colour.DeltaE76(want, now) {
				a, now, better = b, d, true
				break
			}
		}
		if !better {
			break
		}
	}
	now = at(a)
	if d := colour.DeltaE2000(want, now); !(d < 6) {
		return nil, fmt.Errorf("no paint of three bands comes nearer to its colour than ΔE00 %.1f", d)
	}
	return out, nil
}

// solve3 solves three equations by elimination with pivots.
func solve3(m [3][4]float64) (x [3]float64, ok bool) {
	for c := range 3 {
		p := c
		for r := c; r < 3; r++ {
			if math.Abs(m[r][c]) > math.Abs(m[p][c]) {
				p = r
			}
		}
		if math.Abs(m[p][c]) < 1e-12 {
			return x, false
		}
		m[c], m[p] = m[p], m[c]
		for r := range 3 {
			if r == c {
				continue
			}
			f := m[r][c] / m[c][c]
			for k := c; k < 4; k++ {
				m[r][k] -= f * m[c][k]
			}
		}
	}
	for i := range x {
		x[i] = m[i][3] / m[i][i]
	}
	return x, true
}

// optics keeps invented colour data of every toner that can have some.
func (s *shop) optics(ctx context.Context, t formula.Toner) error {
	o, ok, err := opticsOf(t)
	if err != nil || !ok {
		return err
	}
	return s.book.SaveOptics(ctx, o)
}

// predicted returns the curve of a formula as its toners give it, nil where one of them has no colour data.
func (s *shop) predicted(ctx context.Context, lines []formula.Line) (*card.Curve, error) {
	toners, parts := make([]formula.Toner, len(lines)), make([]float64, len(lines))
	for i, l := range lines {
		toners[i], parts[i] = l.Toner, l.Mass.Grams()
	}
	p, _, err := s.book.Palette(ctx, toners)
	if err != nil || p == nil {
		return nil, err
	}
	spectrum, err := p.Predict(parts, pigment.Coat{})
	if err != nil {
		return nil, err
	}
	return curveOf(spectrum.Values()), nil
}

func curveOf(values []float64) *card.Curve {
	grid := colour.Paint()
	c := &card.Curve{Geometry: "45/0", Start: grid.Start, Step: grid.Step, Values: values}
	for i, v := range c.Values {
		c.Values[i] = math.Round(v*1e5) / 1e5
	}
	return c
}

// swatch returns the colour in which a formula is drawn: as predicted where that is possible, else an impression.
func (s *shop) swatch(ctx context.Context, lines []formula.Line) (hex string, curve *card.Curve, err error) {
	if curve, err = s.predicted(ctx, lines); err != nil {
		return "", nil, err
	}
	if curve == nil {
		hex, err = swatchOf(lines)
		return hex, nil, err
	}
	main, err := curve.Main()
	if err != nil {
		return "", nil, err
	}
	hex, _ = main.Lab.Hex()
	return hex, curve, nil
}

// sprayed makes up the spectrum that was read of a card: that of the target, bent until it is as far off as the story says.
func sprayed(target card.Curve, want colour.Lab) (*card.Curve, error) {
	ratio := make([]float64, len(target.Values))
	for i, m := range target.Values {
		r, err := store.Surface().Within(m)
		if err != nil {
			return nil, err
		}
		if r <= 0 {
			return nil, errors.New("a target that reflects nothing has no K/S")
		}
		ratio[i] = (1 - r) * (1 - r) / (2 * r)
	}
	bent, err := bend(ratio, want)
	if err != nil {
		return nil, err
	}
	for i, q := range bent {
		bent[i] = store.Surface().Measured(pigment.Opaque(q, 1))
	}
	return curveOf(bent), nil
}
