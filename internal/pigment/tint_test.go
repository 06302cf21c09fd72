package pigment

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/colour"
	"pourbook/internal/gram"
)

// some returns the palette of a few of the open pigments.
func some(t testing.TB, names ...string) *Palette {
	t.Helper()
	var out []Pigment
	for _, name := range names {
		for _, p := range openPigments(t) {
			if p.Name == name {
				out = append(out, p)
			}
		}
	}
	require.Len(t, out, len(names))
	palette, err := NewPalette(out, openSurface)
	require.NoError(t, err)
	return palette
}

func predict(t require.TestingT, p *Palette, parts ...float64) colour.Spectrum {
	s, err := p.Predict(parts, Coat{})
	require.NoError(t, err)
	return s
}

func masses(grams ...float64) []gram.Mass {
	out := make([]gram.Mass, len(grams))
	for i, g := range grams {
		out[i] = gram.Of(g)
	}
	return out
}

// anchored predicts as the advice is to: K/S of the mixture times K/S of the card over K/S of the cup. It is written out
// here a second time, without anything of tint.go or gauge.go.
type anchored struct {
	palette      *Palette
	in           []float64
	card, target colour.Spectrum
	lights       []colour.Illuminant
	weights      []colour.Weights
	targets      []colour.Lab
	rho          []float64
}

func anchor(t require.TestingT, p *Palette, in []float64, card, target colour.Spectrum, lights []colour.Illuminant) *anchored {
	a := &anchored{palette: p, in: in, card: card, target: target, lights: lights}
	for _, l := range lights {
		w, err := colour.NewWeights(p.Grid(), l, colour.TenDegrees)
		require.NoError(t, err)
		a.weights = append(a.weights, w)
		a.targets = append(a.targets, w.Lab(target.Values()))
	}
	for i, m := range card.Values() {
		r, err := p.Surface().Within(m)
		require.NoError(t, err)
		a.rho = append(a.rho, (1-r)*(1-r)/(2*r)/a.quotient(in, i))
	}
	return a
}

func (a *anchored) quotient(grams []float64, i int) float64 {
	k, s := 0.0, 0.0
	for toner, g := range grams {
		k += g * a.palette.k[toner][i]
		s += g * a.palette.s[toner][i]
	}
	return k / s
}

func (a *anchored) labs(change []float64) []colour.Lab {
	x := slices.Clone(a.in)
	for i, c := range change {
		x[i] += c
	}
	values := make([]float64, len(a.rho))
	for i := range values {
		q := a.rho[i] * a.quotient(x, i)
		values[i] = a.palette.Surface().Measured(1 + q - math.Sqrt(q*q+2*q))
	}
	out := make([]colour.Lab, len(a.weights))
	for l, w := range a.weights {
		out[l] = w.Lab(values)
	}
	return out
}

func (a *anchored) distance(change []float64) float64 { return farthest(a.targets, a.labs(change)) }

func farthest(x, y []colour.Lab) (most float64) {
	for i := range x {
		most = math.Max(most, colour.DeltaE2000(x[i], y[i]))
	}
	return most
}

// coarse is the rule of half a division.
func (a *anchored) coarse(change []float64, division, limit float64) bool {
	here := a.labs(change)
	for i, c := range change {
		if c == 0 {
			continue
		}
		for _, h := range []float64{-division / 2, division / 2} {
			other := slices.Clone(change)
			other[i] += h
			if farthest(here, a.labs(other)) > limit/4 {
				return true
			}
		}
	}
	return false
}

// grid tries every change of up to most toners, from out divisions less to so many more of each, and returns the best by the order of
// preference, or the smallest distance where none fits. fine says that the scale must be fine enough for it.
func (a *anchored) grid(division, limit float64, most, out, divisions int, fine bool) (best []float64, nearest float64) {
	n := len(a.in)
	nearest = a.distance(make([]float64, n))
	if nearest <= limit {
		return make([]float64, n), nearest
	}
	for size := 1; size <= most; size++ {
		fresh, paint, e := math.MaxInt, math.Inf(1), math.Inf(1)
		steps := make([]int, n)
		var walk func(i, used, sum int)
		walk = func(i, used, sum int) {
			if used > size || used+n-i < size {
				return
			}
			if i < n {
				for s := -out; s <= divisions; s++ {
					if float64(s)*division < -a.in[i] {
						continue
					}
					steps[i] = s
					u := used
					if s != 0 {
						u++
					}
					walk(i+1, u, sum+max(s, -s))
				}
				steps[i] = 0
				return
			}
			newOnes := 0
			change := make([]float64, n)
			for j, s := range steps {
				change[j] = float64(s) * division
				if s != 0 && a.in[j] == 0 {
					newOnes++
				}
			}
			p := float64(sum) * division
			if best != nil && (newOnes > fresh || (newOnes == fresh && p > paint+1e-9)) {
				return
			}
			d := a.distance(change)
			nearest = math.Min(nearest, d)
			if d > limit || newOnes > fresh || (newOnes == fresh && (p > paint+1e-9 || (p > paint-1e-9 && d >= e))) || (fine && a.coarse(change, division, limit)) {
				return
			}
			fresh, paint, e, best = newOnes, p, d, change
		}
		walk(0, 0, 0)
		if best != nil {
			return best, nearest
		}
	}
	return nil, nearest
}

func TestTintAgainstTheWholeGrid(t *testing.T) {
	palette := some(t, "zinc_white", "bone_black", "vermillion", "cobalt_blue")
	found, refused, sizes := 0, 0, map[int]int{}
	rapid.Check(t, func(rt *rapid.T) {
		in := []float64{100, 1, rapid.Float64Range(1, 5).Draw(rt, "vermillion"), rapid.SampledFrom([]float64{0, 3.5}).Draw(rt, "blue")}
		wanted := slices.Clone(in)
		for i := 1; i < 4; i++ {
			wanted[i] += rapid.SampledFrom([]float64{0, 0, 0.2, 0.5, 0.8}).Draw(rt, "short of")
		}
		lights := threeLights[:rapid.SampledFrom([]int{1, 3}).Draw(rt, "lights")]
		in = weighed(in)
		sprayed := slices.Clone(in)
		sprayed[1] *= rapid.Float64Range(0.97, 1.03).Draw(rt, "the card's own")
		card, target := predict(rt, palette, sprayed...), predict(rt, palette, wanted...)
		const reach = 10 // divisions of each toner; the least paint lies within where the target does
		division, limit := 0.1, rapid.Float64Range(0.4, 1.2).Draw(rt, "limit")
		a := anchor(rt, palette, in, card, target, lights)
		want, nearest := a.grid(division, limit, 3, 0, reach, true)
		got, err := palette.Tint(TintAsk{
			In: masses(in...), Card: card, Target: target, Lights: lights, Observer: colour.TenDegrees,
			Limit: limit, Division: 100 * gram.Milligram, MostToners: 3,
		})
		require.NoError(rt, err)
		for _, m := range got.Change {
			if m > reach*100*gram.Milligram {
				rt.Skip("beyond the grid that is searched")
			}
		}
		change, sum, toners := make([]float64, 4), 0.0, 0
		for i, m := range got.Change {
			change[i] = m.Grams()
			sum += m.Grams()
			if m > 0 {
				toners++
			}
		}
		require.InDelta(rt, a.distance(change), got.After, 1e-6, "what is promised is what the grams give")
		require.InDelta(rt, a.distance(make([]float64, 4)), got.Before, 1e-6)
		if want == nil {
			refused++
			require.False(rt, got.Meets, "%v: %v", got.Change, got.After)
			require.LessOrEqual(rt, got.After, nearest+3*gains+0.05, "idle toners cost up to 0.1 each")
			return
		}
		if loose, _ := a.grid(division, limit, 3, 0, reach, false); count(loose) < count(want) {
			return // a toner too strong for the scale, thinned with paint that the colour does not need: not promised
		}
		found++
		require.True(rt, got.Meets, "grid %v (%v), got %v (%v, coarse %v)", want, a.distance(want), got.Change, got.After, got.Coarse)
		require.False(rt, a.coarse(change, division, limit))
		wantToners, wantSum := count(want), 0.0
		for _, w := range want {
			wantSum += w
		}
		sizes[wantToners]++
		require.Equal(rt, wantToners, toners, "grid %v, got %v", want, change)
		require.InDelta(rt, wantSum, sum, division*1.01, "grid %v, got %v", want, change)
		for i := range want {
			require.InDelta(rt, want[i], change[i], division*1.01, "grid %v (%v), got %v (%v)", want, a.distance(want), change, got.After)
		}
	})
	t.Logf("%d within the limit (by toners: %v), %d not", found, sizes, refused)
	assert.Positive(t, found)
	assert.Positive(t, refused)
}

func count(change []float64) (n int) {
	for _, c := range change {
		if c != 0 {
			n++
		}
	}
	return n
}

// weighed rounds grams to the milligram.
func weighed(in []float64) []float64 {
	out := make([]float64, len(in))
	for i, v := range in {
		out[i] = gram.Of(v).Grams()
	}
	return out
}

func many(t testing.TB, n int) *Palette {
	open := openPigments(t)
	var out []Pigment
	for i := range n {
		p := open[i%len(open)]
		p.K, p.S = slices.Clone(p.K), slices.Clone(p.S)
		p.Name = fmt.Sprintf("%s %d", p.Name, i/len(open))
		for j := range p.K { // each copy is another shade and strength
			turn := float64(i/len(open)) * 0.3 * math.Sin(float64(j)/5+float64(i))
			p.K[j] *= math.Exp(turn)
			p.S[j] *= math.Exp(-turn / 3)
		}
		out = append(out, p)
	}
	palette, err := NewPalette(out, openSurface)
	require.NoError(t, err)
	return palette
}

// "Permuting components or scaling all grams and the division tenfold changes nothing but names and size."
func TestTintIsTheSameForAnyOrderAndSize(t *testing.T) {
	names := []string{"zinc_white", "bone_black", "vermillion", "cobalt_blue", "chrome_yellow"}
	in, wanted := []float64{100, 1, 3, 2, 0}, []float64{100, 1.4, 3, 2.6, 0.8}
	tint := func(order []int, size float64) Tint {
		var n []string
		var i, w []float64
		for _, o := range order {
			n, i, w = append(n, names[o]), append(i, size*in[o]), append(w, size*wanted[o])
		}
		p := some(t, n...)
		got, err := p.Tint(TintAsk{
			In: masses(i...), Card: predict(t, p, i...), Target: predict(t, p, w...), Lights: threeLights, Observer: colour.TenDegrees,
			Limit: 0.5, Division: gram.Mass(10 * size), MostToners: 4,
		})
		require.NoError(t, err)
		back := make([]gram.Mass, len(order))
		for at, o := range order {
			back[o] = got.Change[at]
		}
		got.Change = back
		return got
	}
	want := tint([]int{0, 1, 2, 3, 4}, 1)
	require.True(t, want.Meets)
	for _, order := range [][]int{{4, 3, 2, 1, 0}, {2, 0, 4, 1, 3}} {
		got := tint(order, 1)
		assert.Equal(t, want.Change, got.Change)
		assert.InDelta(t, want.After, got.After, 1e-9)
	}
	ten := tint([]int{0, 1, 2, 3, 4}, 10)
	for i, m := range want.Change {
		assert.Equal(t, 10*m, ten.Change[i])
	}
}

func TestTintHoldsToWhatThereIs(t *testing.T) {
	palette := some(t, "zinc_white", "bone_black", "vermillion", "cobalt_blue")
	in := []float64{100, 1, 3, 2}
	ask := TintAsk{
		In: masses(in...), Card: predict(t, palette, in...), Target: predict(t, palette, 130, 1.3, 3.9, 5), Lights: threeLights[:1],
		Observer: colour.TenDegrees, Limit: 0.5, Division: 10 * gram.Milligram, MostToners: 3,
	}
	free, err := palette.Tint(ask)
	require.NoError(t, err)
	require.True(t, free.Meets)
	assert.Equal(t, free.Total, gram.Of(106)+free.Change[0]+free.Change[1]+free.Change[2]+free.Change[3])

	// With less room than that: the best colour that fits, never more.
	tight := ask
	tight.Room = free.Total - gram.Gram/5
	got, err := palette.Tint(tight)
	require.NoError(t, err)
	assert.LessOrEqual(t, got.Total, tight.Room)
	assert.Less(t, got.After, got.Before)

	short := ask
	short.Ready = masses(100, 100, 100, 0.3)
	got, err = palette.Tint(short)
	require.NoError(t, err)
	assert.LessOrEqual(t, got.Change[3], gram.Of(0.3))
	assert.Less(t, got.After, got.Before)

	none := ask
	none.MostToners = 0
	got, err = palette.Tint(none)
	require.NoError(t, err)
	assert.False(t, got.Meets)
	assert.InDelta(t, got.Before, got.After, 0)

	right := ask
	right.Target = right.Card
	got, err = palette.Tint(right)
	require.NoError(t, err)
	assert.True(t, got.Meets)
	assert.Equal(t, masses(0, 0, 0, 0), got.Change)
}

// A card too red cannot be put right by adding red; a variant may do with less of it.
func TestTintOfAVariantTakesOut(t *testing.T) {
	palette := some(t, "zinc_white", "bone_black", "vermillion", "cobalt_blue")
	in := []float64{100, 1, 5, 2}
	ask := TintAsk{
		In: masses(in...), Card: predict(t, palette, in...), Target: predict(t, palette, 100, 1, 3, 2), Lights: threeLights,
		Observer: colour.TenDegrees, Limit: 0.3, Division: 10 * gram.Milligram, MostToners: 3, Free: true,
	}
	got, err := palette.Tint(ask)
	require.NoError(t, err)
	require.True(t, got.Meets)
	assert.Zero(t, got.Change[0])
	assert.Zero(t, got.Change[1])
	assert.InDelta(t, -2, got.Change[2].Grams(), 0.2)
	assert.Zero(t, got.Change[3])

	ask.Target = predict(t, palette, 100, 1, 0, 2)
	got, err = palette.Tint(ask)
	require.NoError(t, err)
	require.True(t, got.Meets)
	for i, m := range got.Change {
		assert.GreaterOrEqual(t, m, -ask.In[i])
	}
}

// A variant against every change of up to two of its toners, up or down.
func TestTintOfAVariantAgainstTheWholeGrid(t *testing.T) {
	palette := some(t, "zinc_white", "bone_black", "vermillion", "cobalt_blue")
	found := 0
	rapid.Check(t, func(rt *rapid.T) {
		in := weighed([]float64{100, 2, rapid.Float64Range(2, 5).Draw(rt, "vermillion"), 3})
		wanted := slices.Clone(in)
		for i := 1; i < 4; i++ {
			wanted[i] += rapid.SampledFrom([]float64{-0.6, 0, 0, 0.3, 0.6}).Draw(rt, "off by")
		}
		const division, reach, limit = 0.1, 10, 0.6
		card, target := predict(rt, palette, in...), predict(rt, palette, wanted...)
		a := anchor(rt, palette, in, card, target, threeLights)
		want, _ := a.grid(division, limit, 2, reach, reach, true)
		if loose, _ := a.grid(division, limit, 2, reach, reach, false); want == nil || count(loose) < count(want) {
			return // as above: not promised
		}
		found++
		got, err := palette.Tint(TintAsk{
			In: masses(in...), Card: card, Target: target, Lights: threeLights, Observer: colour.TenDegrees,
			Limit: limit, Division: 100 * gram.Milligram, MostToners: 2, Free: true,
		})
		require.NoError(rt, err)
		require.True(rt, got.Meets, "grid %v (%v), got %v (%v)", want, a.distance(want), got.Change, got.After)
		change, sum, wantSum := gramsOf(got.Change), 0.0, 0.0
		if slices.ContainsFunc(change, func(c float64) bool { return math.Abs(c) > reach*division+1e-9 }) {
			require.LessOrEqual(rt, count(change), count(want))
			return // fewer toners, beyond the grid that is searched
		}
		for i := range change {
			sum += math.Abs(change[i])
			wantSum += math.Abs(want[i])
		}
		require.InDelta(rt, a.distance(change), got.After, 1e-6)
		require.Equal(rt, count(want), count(change), "grid %v, got %v", want, change)
		require.LessOrEqual(rt, sum, wantSum+1.01*division, "grid %v, got %v", want, change)
	})
	assert.Positive(t, found)
}

func TestTintPrefers(t *testing.T) {
	p := openPigments(t)
	var white, black, red, twin Pigment
	for _, one := range p {
		switch one.Name {
		case "zinc_white":
			white = one
		case "bone_black":
			black = one
		case "vermillion":
			red, twin = one, one
			twin.Name = "twin"
		}
	}
	palette, err := NewPalette([]Pigment{white, black, red, twin}, openSurface)
	require.NoError(t, err)
	ask := TintAsk{
		In: masses(100, 1, 0, 3), Card: predict(t, palette, 100, 1, 0, 3), Target: predict(t, palette, 100, 1, 0, 4), Lights: threeLights,
		Observer: colour.TenDegrees, Limit: 0.3, Division: 10 * gram.Milligram, MostToners: 2,
	}
	got, err := palette.Tint(ask)
	require.NoError(t, err)
	assert.Zero(t, got.Change[2], "of two alike the one in the cup")
	assert.Positive(t, got.Change[3])
	assert.False(t, got.Doubtful())
	assert.InDelta(t, 1, got.AnchorLeast, 1e-9)
	assert.InDelta(t, 1, got.AnchorMost, 1e-9)
	ask.Card = predict(t, palette, 100, 2, 0, 3)
	got, err = palette.Tint(ask)
	require.NoError(t, err)
	assert.True(t, got.Doubtful(), "K/S from %v to %v of what was to be expected", got.AnchorLeast, got.AnchorMost)
}

func TestTintRefusesBadInput(t *testing.T) {
	palette := some(t, "zinc_white", "bone_black")
	card := predict(t, palette, 10, 1)
	good := TintAsk{
		In: masses(10, 1), Card: card, Target: card, Lights: threeLights, Observer: colour.TenDegrees, Limit: 0.3, Division: 10, MostToners: 2,
	}
	_, err := palette.Tint(good)
	require.NoError(t, err)
	for says, change := range map[string]func(*TintAsk){
		"the cup, the preferred toners and the shelf need one entry for each of the 2 toners":                                          func(a *TintAsk) { a.In = masses(1) },
		"the cup is empty: give at least one toner an amount above 0":                                                                  func(a *TintAsk) { a.In = masses(0, 0) },
		"the amount of bone_black is -1.000 g: it must be 0 or above":                                                                  func(a *TintAsk) { a.In = masses(10, -1) },
		"the limit is 0: it must be above 0, usually 0.3 to 1":                                                                         func(a *TintAsk) { a.Limit = 0 },
		"the scale's division is 0.000 g: it must be above 0":                                                                          func(a *TintAsk) { a.Division = 0 },
		"a tint of 7 toners was asked for: choose 0 to 6":                                                                              func(a *TintAsk) { a.MostToners = 7 },
		"the room in the cup is -1.000 g: it must be above 0":                                                                          func(a *TintAsk) { a.Room = -gram.Gram },
		"no light is named: choose at least one, usually D65":                                                                          func(a *TintAsk) { a.Lights = nil },
		"there is no target: give the spectrum of the colour to hit":                                                                   func(a *TintAsk) { a.Target = colour.Spectrum{} },
		"there is no card: spray one from the cup and measure it":                                                                      func(a *TintAsk) { a.Card = colour.Spectrum{} },
		"the cup already holds 11.000 g, more than its room of 5.000 g: move it to a bigger cup first":                                 func(a *TintAsk) { a.Room = 5 * gram.Gram },
		"the card at 400 nm: a reflectance of 0.01 is darker than the surface alone: use a smaller k1, or say that gloss was excluded": func(a *TintAsk) { a.Card = grey(t, 0.01) },
	} {
		ask := good
		change(&ask)
		_, err := palette.Tint(ask)
		assert.EqualError(t, err, says)
	}
}

func BenchmarkTint40(b *testing.B) {
	palette := many(b, 40)
	in := make([]float64, 40)
	in[0], in[1], in[5], in[9] = 300, 2, 20, 10
	card := predict(b, palette, in...)
	for _, c := range []struct {
		name   string
		lights int
		short  map[int]float64
	}{{"one toner", 3, map[int]float64{5: 4}}, {"two toners", 3, map[int]float64{5: 4, 9: 4}}, {"three toners", 3, map[int]float64{5: 6, 9: 4, 7: 2}}, {"three toners, one light", 1, map[int]float64{5: 6, 9: 4, 7: 2}}, {"too few", 3, map[int]float64{5: 6, 9: 4, 7: 2, 12: 3, 10: 15}}} {
		b.Run(c.name, func(b *testing.B) {
			wanted := slices.Clone(in)
			for i, g := range c.short {
				wanted[i] += g
			}
			ask := TintAsk{
				In: masses(in...), Card: card, Target: predict(b, palette, wanted...), Lights: threeLights[:c.lights], Observer: colour.TenDegrees,
				Limit: 0.3, Division: 100 * gram.Milligram, MostToners: 3,
			}
			for b.Loop() {
				got, err := palette.Tint(ask)
				require.NoError(b, err)
				sink = got.After
			}
		})
	}
}
