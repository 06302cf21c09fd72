package pour

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

const tenth = 100 * gram.Milligram

func toner(name string, grams float64, strength formula.Strength) Component {
	return Component{Key: Key(name), Name: name, Role: formula.Solid, Strength: strength, Goal: gram.Of(grams)}
}

// whiteBlueBlack is the formula of the worked examples: white 700, blue 250, black 50.
func whiteBlueBlack() []Component {
	return []Component{toner("white", 700, formula.Weak), toner("blue", 250, formula.Medium), toner("black", 50, formula.Strong)}
}

func poured(names []string, grams ...float64) []Addition {
	var out []Addition
	for i, g := range grams {
		out = append(out, Addition{Component: Component{Key: Key(names[i]), Name: names[i], Role: formula.Solid}, Mass: gram.Of(g)})
	}
	return out
}

func stand(t *testing.T, total float64, stirred bool, last Key, in ...Addition) State {
	t.Helper()
	s, err := Stand{
		Components: whiteBlueBlack(), Total: gram.Of(total), Poured: in, Last: last, Stirred: stirred,
		Balance: gram.Balance{Division: tenth},
	}.State()
	require.NoError(t, err)
	return s
}

func pick(t require.TestingT, options []Option, c Choice) Option {
	i := slices.IndexFunc(options, func(o Option) bool { return o.Choice == c })
	require.GreaterOrEqual(t, i, 0, "%s is not offered", c)
	return options[i]
}

func has(options []Option, c Choice) bool {
	return slices.ContainsFunc(options, func(o Option) bool { return o.Choice == c })
}

func added(o Option) map[Key]gram.Mass {
	m := map[Key]gram.Mass{}
	for _, p := range o.Add {
		m[p.Key] += p.Mass
	}
	return m
}

// Worked by exact arithmetic: T' = 27/0.05 = 540.
func TestWorkedBlackFirst(t *testing.T) {
	s := stand(t, 500, false, "black", poured([]string{"black"}, 27)...)
	options := Choices(s, Shop{AsIs: true}, nil)
	exact := pick(t, options, Exact)
	assert.Equal(t, map[Key]gram.Mass{"white": gram.Of(378), "blue": gram.Of(135)}, added(exact))
	assert.Equal(t, gram.Of(540), exact.Final)
	assert.Equal(t, gram.Of(40), exact.Extra)
	assert.InDelta(t, 0, exact.Worst, 1e-9)
	assert.True(t, exact.Fits)
	assert.True(t, exact.Within)
	carry := pick(t, options, CarryOn)
	assert.Equal(t, map[Key]gram.Mass{"white": gram.Of(350), "blue": gram.Of(125)}, added(carry))
	assert.InDelta(t, 100*(27/502./0.05-1), carry.Worst, 1e-9)
	assert.False(t, carry.Within)
	assert.Equal(t, "black stays 8 % strong.", carry.Reason)
	// Least paint: M ≥ 27/(0.05·1.02) = 529.41, in tenths of a gram.
	lp := pick(t, options, LeastPaint)
	assert.Equal(t, gram.Of(529.5), lp.Final)
	assert.True(t, lp.Within)
	again := pick(t, options, StartAgain)
	assert.Equal(t, gram.Of(27), again.Discard)
	assert.Zero(t, again.Extra)
	lift := pick(t, options, LiftOut)
	assert.Equal(t, gram.Of(2), lift.Discard)
	assert.Equal(t, gram.Of(500), lift.Final)
	assert.False(t, has(options, PourOff), "not stirred")
	assert.False(t, has(options, FitCup), "nothing is too big")
	assert.Equal(t, LiftOut, options[0].Choice, "2 g thrown away is the least")
}

// T' = 130/0.25 = 520.
func TestWorkedBlueSecond(t *testing.T) {
	s := stand(t, 500, false, "", poured([]string{"white", "blue"}, 350, 130)...)
	exact := pick(t, Choices(s, Shop{AsIs: true}, nil), Exact)
	assert.Equal(t, map[Key]gram.Mass{"white": gram.Of(14), "black": gram.Of(26)}, added(exact))
	assert.Equal(t, gram.Of(20), exact.Extra)
	require.Len(t, exact.Steps, 2)
	assert.Equal(t, Key("black"), exact.Steps[0].Key, "still to come, re-aimed")
	assert.Equal(t, Step{No: exact.Steps[1].No, Key: "white", Aim: gram.Of(14), Tolerance: gram.Of(1.12), Why: WhyTopUp}, exact.Steps[1])
	assert.False(t, has(Choices(s, Shop{AsIs: true}, nil), LiftOut), "nobody said what lies on top")
}

// Room for 520 g: white + blue = 493.0 in the ratio 700 : 250.
func TestWorkedRoom(t *testing.T) {
	s := stand(t, 500, false, "black", poured([]string{"black"}, 27)...)
	options := Choices(s, Shop{AsIs: true, Room: gram.Of(520)}, nil)
	fit := pick(t, options, FitCup)
	assert.Equal(t, map[Key]gram.Mass{"white": gram.Of(363.3), "blue": gram.Of(129.7)}, added(fit))
	assert.Equal(t, gram.Of(520), fit.Final)
	assert.True(t, fit.Fits)
	assert.False(t, pick(t, options, Exact).Fits)
	assert.NotEqual(t, Exact, options[0].Choice)
	assert.False(t, has(options, BiggerCup), "the shop has none")
	bigger := pick(t, Choices(s, Shop{AsIs: true, Room: gram.Of(520), Cups: []Cup{{Name: "1 l", Brim: 1000}}}, nil), BiggerCup)
	assert.Equal(t, gram.Of(4), bigger.Discard)
	assert.True(t, bigger.Fits)
	assert.True(t, bigger.Within)
}

// Factor 500/540: discard 37.2 g, then white 25.9 and blue 9.3, final 500.0.
func TestWorkedPourOff(t *testing.T) {
	s := stand(t, 500, true, "", poured([]string{"white", "blue", "black"}, 350, 125, 27)...)
	options := Choices(s, Shop{AsIs: true, Room: gram.Of(510)}, nil)
	off := pick(t, options, PourOff)
	assert.Equal(t, "37.2", off.Discard.Show(tenth))
	assert.Equal(t, "25.9", added(off)["white"].Show(tenth))
	assert.Equal(t, "9.3", added(off)["blue"].Show(tenth))
	assert.Equal(t, gram.Of(500), off.Final)
	assert.Equal(t, PourOff, options[0].Choice, "the cup is full and it costs least")
	assert.NotEqual(t, PourOff, Choices(s, Shop{AsIs: true}, nil)[0].Choice, "there is room")
	for _, o := range options {
		assert.NotEqual(t, LiftOut, o.Choice, "stirred")
	}
}

// Source: testdata/trade/overshoot_vectors.csv (rule stated there: common practice, no source).
func TestOvershootVectors(t *testing.T) {
	f, err := os.Open("../../testdata/trade/overshoot_vectors.csv")
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	number := func(s string) gram.Mass {
		v, err := strconv.ParseFloat(s, 64)
		require.NoError(t, err)
		return gram.Of(v)
	}
	cases := map[string][][]string{}
	for _, row := range rows[1:] {
		cases[row[0]] = append(cases[row[0]], row)
	}
	require.NotEmpty(t, cases)
	for name, lines := range cases {
		t.Run(name, func(t *testing.T) {
			var d Stand
			want := map[Key]gram.Mass{}
			var final gram.Mass
			for _, l := range lines {
				c := toner(l[1], 0, formula.Strong)
				c.Goal = number(l[2])
				d.Components = append(d.Components, c)
				d.Total += c.Goal
				d.Poured = append(d.Poured, Addition{c, number(l[3])})
				final += number(l[5])
				if a := number(l[6]); a > 0 {
					want[c.Key] = a
				}
			}
			d.Balance = gram.Balance{Division: gram.Of(0.01)}
			s, err := d.State()
			require.NoError(t, err)
			exact := pick(t, Choices(s, Shop{AsIs: true}, nil), Exact)
			assert.Equal(t, want, added(exact))
			assert.Equal(t, final, exact.Final)
		})
	}
}

func TestForeignToner(t *testing.T) {
	s := stand(t, 500, false, "green", poured([]string{"white", "green"}, 350, 12)...)
	options := Choices(s, Shop{AsIs: true}, nil)
	assert.False(t, has(options, Exact), "nothing is exact with a foreign toner in")
	carry := pick(t, options, CarryOn)
	assert.InDelta(t, 100*12/512., carry.Foreign, 1e-9)
	assert.Equal(t, "green stays in the cup, 2.3 % of it.", carry.Reason)
	assert.False(t, carry.Within)
	assert.Equal(t, gram.Of(12), pick(t, options, LiftOut).Discard)
	assert.Equal(t, LiftOut, options[0].Choice)
	s = stand(t, 500, true, "", poured([]string{"white", "green"}, 350, 12)...)
	options = Choices(s, Shop{AsIs: true}, nil)
	assert.Equal(t, StartAgain, options[0].Choice)
	off := pick(t, options, PourOff)
	assert.Less(t, off.Foreign, carry.Foreign/1.9)
}

func TestCost(t *testing.T) {
	d := Stand{Components: whiteBlueBlack(), Total: gram.Of(500), Poured: poured([]string{"white", "black"}, 350, 27), Balance: gram.Balance{Division: tenth}, Last: "black"}
	for i := range d.Components {
		d.Components[i].Density, d.Components[i].PerLitre = 1, 5000 // 5 units a gram
	}
	s, err := d.State()
	require.NoError(t, err)
	options := Choices(s, Shop{AsIs: true, CupCost: 40, MinuteRate: 100}, nil)
	exact := pick(t, options, Exact)
	assert.Equal(t, formula.Money(40*5+100), exact.Cost, "40 g more, and white is poured once more")
	assert.Equal(t, formula.Money(377*5+40+100*(3-1+2)), pick(t, options, StartAgain).Cost)
	lp := pick(t, options, LeastPaint)
	assert.Equal(t, lp.Choice, options[0].Choice, "cheaper than three minutes of lifting out")
	assert.Equal(t, formula.Money(math.Round(29.5*5+100)), lp.Cost)
}

func TestNothingOver(t *testing.T) {
	s := stand(t, 500, false, "blue", poured([]string{"white", "blue"}, 350, 128)...)
	options := Choices(s, Shop{AsIs: true}, nil)
	assert.Equal(t, CarryOn, options[0].Choice)
	assert.Equal(t, "Every toner is then within its tolerance.", options[0].Reason)
	tight := 0.001
	options = Choices(s, Shop{AsIs: true, Relative: &tight}, nil)
	assert.NotEqual(t, CarryOn, options[0].Choice)
}

// plane is a made-up colour: how far the shares are from the wanted ones, each weighed by its strength.
type plane struct{ wanted, weight []float64 }

func (p plane) Distance(g []float64) (float64, []float64) {
	m := sumOf(g)
	d2 := 0.0
	slope := make([]float64, len(g)) // of d² by share
	inner := 0.0
	for i, x := range g {
		off := p.weight[i] * (x/m - p.wanted[i])
		d2 += off * off
		slope[i] = 2 * off * p.weight[i]
		inner += slope[i] * x / m
	}
	d := math.Sqrt(d2)
	gradient := make([]float64, len(g))
	for i := range g {
		gradient[i] = (slope[i] - inner) / m / (2 * max(d, 1e-12))
	}
	return d, gradient
}

func TestColour(t *testing.T) {
	c := plane{[]float64{0.7, 0.25, 0.05}, []float64{3, 10, 100}}
	s := stand(t, 500, false, "", poured([]string{"white", "blue", "black"}, 350, 125, 27)...)
	options := Choices(s, Shop{AsIs: true}, c)
	carry := pick(t, options, CarryOn)
	require.NotNil(t, carry.DeltaE)
	want, _ := c.Distance([]float64{350, 125, 27})
	assert.InDelta(t, want, *carry.DeltaE, 1e-12)
	assert.False(t, carry.Within, "0.38 is more than 0.3")
	lp := pick(t, options, LeastPaint)
	assert.LessOrEqual(t, *lp.DeltaE, 0.3)
	assert.Less(t, lp.Extra, gram.Of(12), "a quarter of the way is enough")
	assert.Contains(t, lp.Reason, "The eye will not see the rest.")
	assert.Greater(t, pick(t, options, Exact).Extra, lp.Extra)
	assert.Equal(t, LeastPaint, options[0].Choice)

	options = Choices(s, Shop{AsIs: true, Limit: 0.5}, c)
	assert.Equal(t, CarryOn, options[0].Choice)

	s = stand(t, 500, false, "", poured([]string{"white", "black"}, 350, 27)...)
	lp = pick(t, Choices(s, Shop{AsIs: true}, c), LeastPaint)
	assert.LessOrEqual(t, *lp.DeltaE, 0.21+1e-9, "toners still to come may err too")

	s = stand(t, 500, false, "", poured([]string{"white", "blue", "black"}, 350, 125, 45)...)
	options = Choices(s, Shop{AsIs: true, Room: gram.Of(530)}, c)
	fit := pick(t, options, FitCup)
	assert.LessOrEqual(t, *fit.DeltaE, *pick(t, options, CarryOn).DeltaE)
	assert.LessOrEqual(t, fit.Final, gram.Of(530))
}

// drawStand is a random cup: any formula, some toners over, some still to come, perhaps a foreign one.
func drawStand(t *rapid.T) (Stand, Shop) {
	n := rapid.IntRange(1, 10).Draw(t, "toners")
	d := Stand{Balance: gram.Balance{Division: rapid.SampledFrom([]gram.Mass{10, 50, 100}).Draw(t, "division")}}
	d.Total = gram.Mass(rapid.Int64Range(50_000, 2_000_000).Draw(t, "total"))
	sum := gram.Mass(0)
	for i := range n {
		c := toner(fmt.Sprintf("t%d", i), 0, rapid.SampledFrom(formula.Strengths).Draw(t, "strength"))
		c.Goal = gram.Mass(rapid.Int64Range(2_000, 500_000).Draw(t, "weight"))
		sum += c.Goal
		d.Components = append(d.Components, c)
	}
	for _, c := range d.Components {
		part := rapid.SampledFrom([]float64{0, 0, 0.5, 0.99, 1, 1, 1, 1.03, 1.2, 1.6}).Draw(t, "poured part")
		m := gram.Of(c.Goal.Grams() * d.Total.Grams() / sum.Grams() * part).Round(d.Balance.Division)
		if m > 0 {
			d.Poured = append(d.Poured, Addition{c, m})
		}
	}
	if rapid.IntRange(0, 4).Draw(t, "foreign") == 0 {
		d.Poured = append(d.Poured, Addition{toner("foreign", 0, formula.Medium), gram.Mass(rapid.Int64Range(1000, 9000).Draw(t, "of it"))})
	}
	if len(d.Poured) > 0 {
		d.Last = rapid.SampledFrom(d.Poured).Draw(t, "last").Component.Key
	}
	d.Stirred = rapid.Bool().Draw(t, "stirred")
	shop := Shop{AsIs: true, Room: gram.Of(d.Total.Grams() * rapid.SampledFrom([]float64{1.01, 1.1, 1.3, 9}).Draw(t, "room"))}
	shop.Cups = []Cup{{Name: "bucket", Brim: 20_000}}
	return d, shop
}

func TestChoiceLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, shop := drawStand(t)
		if rapid.Bool().Draw(t, "priced") {
			for i := range d.Components {
				d.Components[i].Density = rapid.Float64Range(0.8, 1.6).Draw(t, "density")
				d.Components[i].PerLitre = formula.Money(rapid.IntRange(1000, 20_000).Draw(t, "price"))
			}
			shop.MinuteRate, shop.CupCost = 50, 30
		}
		s, err := d.State()
		require.NoError(t, err)
		var colour Colour
		if rapid.IntRange(0, 3).Draw(t, "colour") == 0 {
			v := newView(s, shop, nil)
			p := plane{v.wanted, make([]float64, len(v.wanted))}
			for i := range p.weight {
				p.weight[i] = rapid.Float64Range(1, 60).Draw(t, "weight")
			}
			colour = p
		}
		options := Choices(s, shop, colour)
		require.NotEmpty(t, options)
		checkOptions(t, s, options)
	})
}

func checkOptions(t require.TestingT, s State, options []Option) {
	in := s.Contents()
	assert.True(t, has(options, StartAgain))
	seen := map[Choice]bool{}
	for _, o := range options {
		assert.False(t, seen[o.Choice], "%s twice", o.Choice)
		seen[o.Choice] = true
		assert.NotEmpty(t, o.Reason)
		var sum gram.Mass
		for _, p := range o.Add {
			assert.Positive(t, p.Mass)
			sum += p.Mass
			if o.Choice != Exact && o.Choice != PourOff {
				assert.Zero(t, p.Mass%s.Plan.Balance.Division, "%s in whole divisions", o.Choice)
			}
		}
		assert.Equal(t, o.Final, in+sum-o.Discard, "%s sums", o.Choice)
		switch o.Choice {
		case LiftOut, StartAgain, BiggerCup:
		case PourOff:
			assert.True(t, s.Stirred, "no paint leaves an unstirred cup")
		default:
			assert.Zero(t, o.Discard, "%s takes nothing out", o.Choice)
		}
		for _, step := range o.Steps {
			assert.Positive(t, step.Aim)
			assert.GreaterOrEqual(t, step.Tolerance, s.Plan.Balance.Division)
		}
		if o.Choice == Exact { // every ratio within one division
			x := slices.Clone(s.In)
			for _, p := range o.Add {
				x[s.Index(p.Key)] += p.Mass.Round(s.Plan.Balance.Division)
			}
			var sum gram.Mass
			for _, c := range s.Components {
				sum += c.Goal
			}
			for i, c := range s.Components {
				want := c.Goal.Grams() / sum.Grams() * o.Final.Grams()
				assert.InDelta(t, want, x[i].Grams(), s.Plan.Balance.Division.Grams())
			}
		}
		if !o.Within || !o.Fits {
			assert.False(t, o.Choice == options[0].Choice && slices.ContainsFunc(options, func(b Option) bool { return b.Within && b.Fits && b.takes }),
				"%s is recommended beyond the limit", o.Choice)
		}
	}
	best := options[0]
	for _, o := range options[1:] {
		if !o.Fits || !o.Within || !best.Within || !o.takes {
			continue
		}
		assert.False(t, o.beats(best), "%s dominates %s", o.Choice, best.Choice)
	}
}

// Law: the order of the components changes nothing but their names, and all grams and the division tenfold nothing but size.
func TestChoicesIgnoreOrderAndScale(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, shop := drawStand(t)
		s, err := d.State()
		require.NoError(t, err)
		options := Choices(s, shop, nil)

		turned := d
		turned.Components = slices.Clone(d.Components)
		slices.Reverse(turned.Components)
		r, err := turned.State()
		require.NoError(t, err)
		same := Choices(r, shop, nil)
		// A milligram of the smallest toner, which the goals are rounded to, is this much of the cup.
		var sum, smallest gram.Mass
		for i, c := range d.Components {
			sum += c.Goal
			if i == 0 || c.Goal < smallest {
				smallest = c.Goal
			}
		}
		tol := 4*d.Balance.Division.Grams() + 0.02 + 0.002*sum.Grams()/smallest.Grams()
		for _, o := range options {
			if o.Choice == BiggerCup || o.Choice == FitCup || (o.Choice == PourOff || o.Choice == LiftOut) && o.Discard.Grams() < tol {
				continue // whether these are offered may turn on a milligram
			}
			b := pick(t, same, o.Choice)
			assert.InDelta(t, o.Final.Grams(), b.Final.Grams(), tol, "%s turned", o.Choice)
			assert.InDelta(t, o.Discard.Grams(), b.Discard.Grams(), tol)
		}

		big, bigShop := d, shop
		big.Total *= 10
		big.Balance.Division *= 10
		big.Components = slices.Clone(d.Components)
		big.Poured = slices.Clone(d.Poured)
		for i := range big.Components {
			big.Components[i].Goal *= 10
		}
		for i := range big.Poured {
			big.Poured[i].Mass *= 10
		}
		bigShop.Room *= 10
		bigShop.Clings = 10 * defaultClings
		b, err := big.State()
		require.NoError(t, err)
		for _, o := range Choices(b, bigShop, nil) {
			if o.Choice == BiggerCup || o.Choice == FitCup || (o.Choice == PourOff || o.Choice == LiftOut) && o.Discard.Grams() < 10*tol {
				continue // whether these are offered may turn on that milligram
			}
			small := pick(t, options, o.Choice)
			assert.InDelta(t, 10*small.Final.Grams(), o.Final.Grams(), 10*tol, "%s scaled", o.Choice)
		}
	})
}
