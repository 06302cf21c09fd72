package rehearse

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pigment"
	"pourbook/internal/pour"
)

// invented is a toner of the simulated shelf.
type invented struct {
	toner formula.Toner // without a price: the ways are chosen by grams
	litre formula.Money // what a litre costs, for the table
	drop  [2]gram.Mass
	real  pigment.Pigment // what it is
	told  pigment.Pigment // what the shop's colour data say
}

// shelfSize is how many toners there are besides white and black.
const shelfSize = 22

// newShelf invents toners: white, black, and others with one or two bands of absorption. Tinting power against
// scattering follows the strength class: plausible, by nobody's measurement. wrong is by how much the stored data are
// off, as a standard deviation of the logarithm: of each toner's strength, and of its K and its S along the spectrum.
func newShelf(seed uint64, wrong float64) []invented {
	rng := rand.New(rand.NewPCG(seed, 0x7070))
	shelf := make([]invented, 0, shelfSize+2)
	for i := range shelfSize + 2 {
		grid := colour.Paint()
		p := pigment.Pigment{Name: fmt.Sprintf("toner %d", i+1), Grid: grid, K: make([]float64, grid.Count), S: make([]float64, grid.Count)}
		strength := formula.Strengths[i%3]
		paste := rng.IntN(2) == 0
		peak, scatter, floor := 1., 1., 0.004
		switch {
		case i == 0: // white
			strength, paste, peak, scatter, floor = formula.Weak, true, 0, 1, 0.002
		case i == 1: // black
			strength, paste, peak, scatter, floor = formula.Strong, false, 0, 0.05, 12
		case strength == formula.Strong:
			peak, scatter = 8*math.Exp(1.1*rng.Float64()), 0.05*math.Exp(1.4*rng.Float64())
		case strength == formula.Medium:
			peak, scatter = 2*math.Exp(1.1*rng.Float64()), 0.15*math.Exp(1.2*rng.Float64())
		default:
			peak, scatter = 0.3*math.Exp(1.4*rng.Float64()), 0.5*math.Exp(0.7*rng.Float64())
		}
		centre, width := 390+320*rng.Float64(), 25+70*rng.Float64()
		second, part := 390+320*rng.Float64(), 0.4*rng.Float64()
		slope := 0.4 * (rng.Float64() - 0.5)
		for j := range grid.Count {
			nm := grid.Wavelength(j)
			z, y := (nm-centre)/width, (nm-second)/width
			p.K[j] = floor + peak*(math.Exp(-z*z/2)+part*math.Exp(-y*y/2))
			p.S[j] = scatter * math.Pow(nm/550, slope)
		}
		one := invented{real: p, told: told(p, rng, wrong), drop: thinDrop}
		if paste {
			one.drop = pasteDrop
		}
		one.toner = formula.Toner{
			ID: int64(i + 1), Name: p.Name, System: "Rehearsed", Kind: formula.Solid, Strength: strength,
			Density: 0.95 + 0.5*rng.Float64(),
		}
		one.litre = formula.Money(4000 + rng.IntN(8000))
		shelf = append(shelf, one)
	}
	return shelf
}

// told returns the data that the shop has of a toner.
func told(p pigment.Pigment, rng *rand.Rand, wrong float64) pigment.Pigment {
	strength := math.Exp(wrong * rng.NormFloat64())
	wave := func(values []float64, by float64) []float64 {
		a, b, phase := rng.NormFloat64(), rng.NormFloat64(), 2*math.Pi*rng.Float64()
		out := slices.Clone(values)
		for j := range out {
			x := float64(j) / float64(len(out)-1)
			out[j] *= by * math.Exp(wrong*(a+b*math.Sin(2*math.Pi*x+phase))/math.Sqrt(1.5))
		}
		return out
	}
	k, s := wave(p.K, strength), wave(p.S, strength)
	p.K, p.S = k, s
	return p
}

// cup is one batch to be mixed.
type cup struct {
	no     uint64
	toners []int // on the shelf, in the formula's order
	shares []float64
	total  gram.Mass

	goals      []float64 // grams of each
	told, real *pigment.Aim
}

// newCup draws a formula and an amount: 5 to 9 toners, largest first, a weak one leading with 40 to 75 %, the smallest
// 0.1 to 1 %; 120 g to 2.5 kg. Sizes and small shares are even on a logarithmic scale.
func newCup(seed, no uint64, shelf []invented) cup {
	rng := rand.New(rand.NewPCG(seed, no<<16|0xc000))
	n := 5 + rng.IntN(5)
	lead := 0.40 + 0.35*rng.Float64()
	smallest := 0.001 * math.Pow(10, rng.Float64())
	between := make([]float64, n-2)
	for {
		sum := 0.0
		for i := range between {
			between[i] = math.Exp(2.5 * rng.Float64())
			sum += between[i]
		}
		for i := range between {
			between[i] *= (1 - lead - smallest) / sum
		}
		if slices.Min(between) > smallest && slices.Max(between) < lead {
			break
		}
	}
	slices.SortFunc(between, func(a, b float64) int { return int(math.Copysign(1, b-a)) })
	c := cup{no: no, shares: append(append([]float64{lead}, between...), smallest)}
	first := 0 // white leads most formulas
	if rng.IntN(3) == 0 {
		for first = rng.IntN(len(shelf)); shelf[first].toner.Strength != formula.Weak; {
			first = rng.IntN(len(shelf))
		}
	}
	c.toners = []int{first}
	for _, i := range rng.Perm(len(shelf)) {
		if i != first && len(c.toners) < n {
			c.toners = append(c.toners, i)
		}
	}
	c.total = gram.Of(120 * math.Pow(2500./120, rng.Float64())).Round(gram.Gram)
	return c
}

// request returns the cup as somebody asks for it.
func (c cup) request(shelf []invented, b gram.Balance, limit float64, safe bool) pour.Request {
	r := pour.Request{
		Title: "rehearsed", System: "Rehearsed", Amount: gram.Amount{Value: c.total.Grams(), Unit: gram.UnitGram},
		Balance: b, SafeOrder: safe, Limit: limit,
	}
	for k, i := range c.toners {
		r.Lines = append(r.Lines, formula.Line{Toner: shelf[i].toner, Mass: max(gram.Of(10_000*c.shares[k]), 1)})
	}
	return r
}

// aim returns the formula's colour as a cup of these toners sees it; told says by whose data. goals are the formula's
// grams of the first of them.
func aim(shelf []invented, toners []int, goals []float64, told bool) (*pigment.Aim, error) {
	pigments := make([]pigment.Pigment, len(toners))
	parts := make([]float64, len(toners))
	copy(parts, goals)
	for k, i := range toners {
		pigments[k] = shelf[i].real
		if told {
			pigments[k] = shelf[i].told
		}
	}
	palette, err := pigment.NewPalette(pigments, pigment.Surface{K1: 0.04, K2: 0.6})
	if err != nil {
		return nil, err
	}
	return palette.AimAtMixture(parts, pigment.Coat{}, []colour.Illuminant{colour.D65, colour.A}, colour.TenDegrees)
}

// weighable reports whether the scale can do a cup: no pour under 5 divisions, one division more of any toner stays
// under the limit, and so does what the display rounds away in all of them.
func weighable(plan pour.Planned, w pour.Weighing, goals []float64, a *pigment.Aim, d gram.Mass, limit float64) bool {
	if slices.ContainsFunc(w.Rows, func(r pour.WeighRow) bool { return r.Mark == pour.MarkOverride }) || plan.Hides(a, limit) {
		return false
	}
	x := slices.Clone(goals)
	for i := range x {
		x[i] += d.Grams()
		if got, _ := a.Distance(x); got > limit {
			return false
		}
		x[i] = goals[i]
	}
	return true
}

func newPlan(r *rehearsal, c cup) (pour.Planned, pour.Weighing, error) {
	return pour.NewPlan(c.request(r.shelf, r.balance(), r.limit, false))
}
