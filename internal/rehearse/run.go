package rehearse

import (
	"errors"
	"math"
	"slices"

	"pourbook/internal/gram"
)

// Setting is what is rehearsed.
type Setting struct {
	Cups     int
	Seed     uint64
	Division gram.Mass // of the scale's display
	Hand     Hand
	Limit    float64 // ΔE00; 0 means 0.3
	Wrong    float64 // by how much the shop's colour data are off: 0.1 is 10 %, as a standard deviation
}

// Ways lists what is compared, in the order of the table.
func Ways() []string {
	names := make([]string, len(ways))
	for i, w := range ways {
		names[i] = w.name
	}
	return names
}

var ways = []struct {
	name string
	mix  func(*vessel) error
}{
	{"none", (*vessel).none},
	{"rule_of_thumb", (*vessel).ruleOfThumb},
	{"experienced", (*vessel).experienced},
	{"exact_once", (*vessel).exactOnce},
	{"pourbook", func(v *vessel) error { return v.pourbook(false) }},
	{"pourbook_safe_order", func(v *vessel) error { return v.pourbook(true) }},
	{"hindsight", (*vessel).hindsight},
}

// rehearsal is a setting with its shelf.
type rehearsal struct {
	seed     uint64
	hand     Hand
	shelf    []invented
	division gram.Mass
	limit    float64
}

// Spread is the distribution of a figure over the cups.
type Spread struct {
	Mean, P50, P95, Worst float64
	Error                 float64 // standard error of the mean
}

// Result is what one way came to.
type Result struct {
	Name  string
	Cups  int
	Extra Spread // per cent of what was wanted
	Spans []int  // cups by their extra paint: how many lie under each of Edges, the last the rest
	Off   Spread // ΔE00 to the formula of what is really in the cup, by the real colours
	Seen  Spread // ΔE00 by the display and the shop's data: all that the program can know
	Pours float64
	Money float64 // minor units a cup, beyond the plan
}

// Edges are the limits of the spans in which Result counts cups, in per cent of extra paint.
var Edges = []float64{0.1, 0.3, 1, 3, 10, 30}

// Report is what a rehearsal came to.
type Report struct {
	Setting     Setting
	Unweighable int // cups that this scale cannot weigh: counted, not poured
	Results     []Result
}

// mostCups bounds a rehearsal to what ends within a day.
const mostCups = 1_000_000

// Check refuses a setting that cannot be rehearsed.
func (s Setting) Check() error {
	switch {
	case s.Cups < 1 || s.Cups > mostCups:
		return errors.New("rehearse between 1 and 1 000 000 cups")
	case s.Division < gram.Of(0.001) || s.Division > gram.Of(5):
		return errors.New("the scale's smallest step must lie between 0.001 and 5 g")
	case !(s.Wrong >= 0 && s.Wrong <= 0.5):
		return errors.New("the colour data can be off by 0 to 50 %")
	case !(s.Limit >= 0 && s.Limit <= 10):
		return errors.New("the limit must be a difference of 0 to 10")
	}
	return nil
}

// Run pours the cups of a setting in every way. tell, which may be nil, hears how many cups are done; its error ends the run.
func Run(s Setting, tell func(done int) error) (Report, error) {
	if err := s.Check(); err != nil {
		return Report{}, err
	}
	if s.Limit == 0 {
		s.Limit = 0.3
	}
	r := &rehearsal{seed: s.Seed, hand: s.Hand, shelf: newShelf(s.Seed, s.Wrong), division: s.Division, limit: s.Limit}
	report := Report{Setting: s}
	all := make([][]outcome, len(ways))
	for no := uint64(0); len(all[0]) < s.Cups; no++ {
		if report.Unweighable > 200*s.Cups+1000 {
			return Report{}, errors.New("this scale can weigh hardly any of these cups: take a finer one")
		}
		c := newCup(s.Seed, no, r.shelf)
		ok, err := r.prepare(&c)
		if err != nil {
			return Report{}, err
		}
		if !ok {
			report.Unweighable++
			continue
		}
		for i, w := range ways {
			v := r.newVessel(c)
			if err := w.mix(v); err != nil {
				return Report{}, err
			}
			o, err := v.result()
			if err != nil {
				return Report{}, err
			}
			all[i] = append(all[i], o)
		}
		if tell != nil {
			if err := tell(len(all[0])); err != nil {
				return Report{}, err
			}
		}
	}
	for i, w := range ways {
		report.Results = append(report.Results, sum(w.name, all[i]))
	}
	return report, nil
}

// prepare works out a cup's goals and colours, and whether this scale can weigh it.
func (r *rehearsal) prepare(c *cup) (bool, error) {
	plan, weighing, err := newPlan(r, *c)
	if err != nil {
		return false, err
	}
	c.goals, c.shares = make([]float64, len(plan.Components)), make([]float64, len(plan.Components))
	for k, one := range plan.Components {
		c.goals[k] = one.Goal.Grams()
		c.shares[k] = c.goals[k] / c.total.Grams()
	}
	if c.told, err = aim(r.shelf, c.toners, c.goals, true); err != nil {
		return false, err
	}
	if c.real, err = aim(r.shelf, c.toners, c.goals, false); err != nil {
		return false, err
	}
	return weighable(plan, weighing, c.goals, c.told, r.division, r.limit), nil
}

func sum(name string, all []outcome) Result {
	r := Result{Name: name, Cups: len(all)}
	of := func(f func(outcome) float64) Spread {
		values := make([]float64, len(all))
		for i, o := range all {
			values[i] = f(o)
		}
		return spread(values)
	}
	r.Extra = of(func(o outcome) float64 { return o.extra })
	r.Spans = make([]int, len(Edges)+1)
	for _, o := range all {
		at := slices.IndexFunc(Edges, func(e float64) bool { return o.extra < e })
		if at < 0 {
			at = len(Edges)
		}
		r.Spans[at]++
	}
	r.Off = of(func(o outcome) float64 { return o.off })
	r.Seen = of(func(o outcome) float64 { return o.seen })
	r.Pours = of(func(o outcome) float64 { return o.pours }).Mean
	r.Money = of(func(o outcome) float64 { return o.money }).Mean
	return r
}

func spread(values []float64) Spread {
	n := float64(len(values))
	var s Spread
	for _, x := range values {
		s.Mean += x
	}
	s.Mean /= n
	for _, x := range values {
		s.Error += (x - s.Mean) * (x - s.Mean)
	}
	s.Error = math.Sqrt(s.Error) / n
	slices.Sort(values)
	at := func(p float64) float64 { return values[min(int(p*n), len(values)-1)] }
	s.P50, s.P95, s.Worst = at(0.5), at(0.95), values[len(values)-1]
	return s
}
