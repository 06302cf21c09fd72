package pour

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

// ReductionRequest is what somebody wants made ready to spray.
type ReductionRequest struct {
	Ratio   *formula.Ratio // paint : hardener : reducer; nil where only Percent is meant
	Percent *Thinning      // beside or instead of a reducer in Ratio
	Portion *gram.Amount   // of colour, into a second cup; nil: the whole cup where it stands
	Ready   bool           // Portion is of paint ready to spray
}

// Thinning is a reducer stated in per cent of something that is always named.
type Thinning struct {
	Part    formula.Part // the reducer; its Parts are not looked at
	Percent float64
	Of      Basis
	By      string // "volume" or "weight"
}

// Basis is what a per cent of reducer counts on.
type Basis string

// The bases.
const (
	OfPaint            Basis = "paint"
	OfPaintAndHardener Basis = "paint_and_hardener"
	OfMix              Basis = "mix" // what comes out, the reducer included
)

// words returns the basis as it is said.
func (b Basis) words() string {
	switch b {
	case OfPaintAndHardener:
		return "paint and hardener"
	case OfMix:
		return "the mix"
	}
	return "the paint"
}

// Row is one line of a reduction as it is shown: the paint first, then each part.
type Row struct {
	Key         Key
	Name        string
	Mass        gram.Mass
	Running     gram.Mass // since the empty cup
	Millilitres float64   // 0: density not known
}

// PlanReduction returns the decision to make a cup, or a share of it, ready to spray, and what there is to weigh.
// A ratio by volume becomes weights by density: m_j = V_paint · r_j/r_paint · ρ_j. A ratio by weight needs no density.
// Without a hardener there is no pot-life clock. An error is a *Problem.
func PlanReduction(s State, r ReductionRequest) (Reduced, []Row, error) {
	q, text, err := r.ratio()
	if err != nil {
		return Reduced{}, nil, err
	}
	have := s.Colour()
	if have <= 0 {
		return Reduced{}, nil, problem("portion", "There is no paint in the cup. Mix the colour first.")
	}
	density := s.paintDensity()
	if q.By == byVolume {
		if density <= 0 {
			return Reduced{}, nil, problem("ratio.by", "The density of %s is not known, so this ratio by volume cannot be weighed. Enter it on the shelf, or use a ratio by weight.", s.unweighed())
		}
		for _, p := range q.Parts {
			if p.Density <= 0 {
				return Reduced{}, nil, problem("ratio.parts", "The density of %s is not known, so this ratio by volume cannot be weighed. Enter it on the shelf, or use a ratio by weight.", partName(p))
			}
		}
	}
	red := Reduced{Portion: have, Ratio: text}
	if r.Portion != nil {
		if red.Portion, err = portion(*r.Portion, r.Ready, q, density); err != nil {
			return Reduced{}, nil, err
		}
		if red.Portion > have {
			return Reduced{}, nil, problem("portion", "That takes %s g of paint and the cup holds %s g. Ask for less.", s.show(red.Portion), s.show(have))
		}
		red.NewCup = red.Portion < have
	}
	rows := []Row{{Key: PaintKey, Name: "Paint", Mass: red.Portion, Running: red.Portion, Millilitres: volumeOf(red.Portion, density)}}
	no := s.nextNo
	if red.NewCup {
		paint := Component{Key: PaintKey, Strength: formula.Weak}
		red.Steps = append(red.Steps, Step{No: no, Key: PaintKey, Aim: red.Portion, Tolerance: s.Tolerance(paint, red.Portion), Why: WhyPaint})
		no++
	}
	weighed, err := gram.ReduceByRatio(red.Portion, density, q.Paint, gramParts(q), q.By == byVolume)
	if err != nil {
		return Reduced{}, nil, problem("ratio.parts", "%s.", upperFirst(strings.TrimPrefix(err.Error(), "gram: ")))
	}
	running := red.Portion
	for i, p := range q.Parts {
		w := weighed[i]
		if w.Mass <= 0 {
			return Reduced{}, nil, problem("ratio.parts", "%s would come to less than a milligram. Check the ratio.", w.Name)
		}
		c := Component{Key: Key(fmt.Sprintf("p%d", i+1)), Name: w.Name, Role: p.Kind, Strength: partStrength(p.Kind), Density: p.Density, Goal: w.Mass}
		running = w.Running
		red.Parts = append(red.Parts, c)
		red.Steps = append(red.Steps, Step{No: no, Key: c.Key, Aim: w.Mass, Tolerance: s.Tolerance(c, w.Mass), Why: WhyReduce})
		no++
		rows = append(rows, Row{Key: c.Key, Name: c.Name, Mass: w.Mass, Running: running, Millilitres: w.Millilitres})
	}
	return red, rows, s.holds(red, rows, running)
}

// holds refuses a reduction that the cup on this scale cannot take.
func (s State) holds(red Reduced, rows []Row, total gram.Mass) error {
	if top := s.Plan.Balance.Max; top > 0 && s.CupReading+total > top {
		return problem("portion", "Ready to spray it comes to %s g, and with the cup that is more than this scale can carry. Reduce a share of it.", s.show(total))
	}
	if red.NewCup || s.Cup.Brim <= 0 {
		return nil
	}
	ml := 0.0
	for _, row := range rows {
		ml += row.Millilitres
	}
	if ml > s.Cup.Brim {
		return problem("portion", "Ready to spray it comes to %.0f ml, and this cup holds %.0f ml to the brim. Reduce a share of it.", ml, s.Cup.Brim)
	}
	return nil
}

// partStrength gives hardener the tolerance of a medium toner and reducer that of a weak one. Common practice, no source.
func partStrength(k formula.Kind) formula.Strength {
	if k == formula.Hardener {
		return formula.Medium
	}
	return formula.Weak
}

func volumeOf(m gram.Mass, density float64) float64 {
	if density <= 0 {
		return 0
	}
	return m.Grams() / density
}

// portion returns the grams of colour that an amount asks for.
func portion(a gram.Amount, ready bool, q formula.Ratio, density float64) (m gram.Mass, err error) {
	if ready {
		m, err = gram.ColourForReady(a, density, q.Paint, gramParts(q), q.By == byVolume)
	} else {
		m, err = a.Mass(density)
	}
	if err != nil {
		p := amountProblem(err)
		p.Field = "portion"
		return 0, p
	}
	if m <= 0 {
		return 0, problem("portion", "%s is too little to weigh. Ask for more.", a)
	}
	return m, nil
}

// ratio returns the request as one ratio, and as it is said.
func (r ReductionRequest) ratio() (formula.Ratio, string, error) {
	if r.Ratio == nil && r.Percent == nil {
		return formula.Ratio{}, "", problem("ratio", "Say what goes in beside the paint: a ratio, or a per cent of reducer.")
	}
	var q formula.Ratio
	text := ""
	if r.Ratio != nil {
		if err := checkRatio(*r.Ratio); err != nil {
			return q, "", err
		}
		q = formula.Ratio{Paint: r.Ratio.Paint, By: r.Ratio.By, Parts: append([]formula.Part(nil), r.Ratio.Parts...)}
		text = RatioText(q)
	}
	if r.Percent == nil {
		return q, text, nil
	}
	t := *r.Percent
	if r.Ratio == nil {
		q = formula.Ratio{Paint: 1, By: t.By}
	}
	switch {
	case t.By != byVolume && t.By != byWeight:
		return q, "", problem("percent.by", "Say whether the per cent is by volume or by weight.")
	case t.By != q.By:
		return q, "", problem("percent.by", "The ratio is by %s and the per cent by %s. State both the same way.", q.By, t.By)
	case t.Of != OfPaint && t.Of != OfPaintAndHardener && t.Of != OfMix:
		return q, "", problem("percent.of", "Say what the per cent is of: the paint, the paint and hardener, or the mix.")
	case !(t.Percent > 0) || math.IsInf(t.Percent, 0) || t.Of == OfMix && t.Percent >= 100:
		return q, "", problem("percent.percent", "The per cent of reducer must be above 0, and below 100 where it is of the mix.")
	}
	base, hardener, all := q.Paint, 0.0, q.Paint
	for _, p := range q.Parts {
		if p.Kind == formula.Hardener {
			hardener += p.Parts
		}
		all += p.Parts
	}
	parts := base * t.Percent / 100
	switch t.Of {
	case OfPaintAndHardener:
		if hardener == 0 {
			return q, "", problem("percent.of", "There is no hardener in this reduction. State the per cent of the paint, or enter the hardener.")
		}
		parts = (base + hardener) * t.Percent / 100
	case OfMix:
		parts = all * t.Percent / (100 - t.Percent)
	}
	t.Part.Kind, t.Part.Parts = formula.Reducer, parts
	q.Parts = append(q.Parts, t.Part)
	if err := checkRatio(q); err != nil {
		return q, "", err
	}
	said := fmt.Sprintf("%s %% %s, of %s, by %s", amountText(t.Percent), partName(t.Part), t.Of.words(), t.By)
	if text != "" {
		said = text + ", then " + said
	}
	return q, said, nil
}

// RatioText returns a ratio as it is said, always with names: "2 paint : 1 hardener by volume".
func RatioText(q formula.Ratio) string {
	words := []string{amountText(q.Paint) + " paint"}
	for _, p := range q.Parts {
		words = append(words, amountText(p.Parts)+" "+partName(p))
	}
	return strings.Join(words, " : ") + " by " + q.By
}

func amountText(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// paintDensity returns the density of the paint in the cup in g/ml, or 0 where one of its toners has none.
func (s State) paintDensity() float64 {
	volume := 0.0
	var mass gram.Mass
	for i, c := range s.Components {
		if !c.Colour() || s.In[i] == 0 {
			continue
		}
		if c.Density <= 0 {
			return 0
		}
		volume += s.In[i].Grams() / c.Density
		mass += s.In[i]
	}
	if volume == 0 {
		return 0
	}
	return mass.Grams() / volume
}

// unweighed names the first toner in the cup whose density is not known.
func (s State) unweighed() string {
	for i, c := range s.Components {
		if c.Colour() && s.In[i] > 0 && c.Density <= 0 {
			return c.Name
		}
	}
	return "a toner"
}

// takeReduced makes the colour one component beside hardener and reducer. What is left of the colour limits how much
// of it can still go in.
func (v *view) takeReduced(s State) []gram.Mass {
	v.mixed = true
	paint := Component{Key: PaintKey, Name: "Paint", Role: formula.Binder, Strength: formula.Weak}
	left := gram.Mass(0)
	if s.Reduced.NewCup {
		left = s.Left
	}
	v.parts = append(v.parts, paint)
	v.in = append(v.in, s.Colour())
	v.most = append(v.most, left)
	wants := []gram.Mass{s.Reduced.Portion}
	v.goal = s.Reduced.Portion
	for i, c := range s.Components {
		if c.Colour() {
			continue
		}
		v.parts = append(v.parts, c)
		v.in = append(v.in, s.In[i])
		v.most = append(v.most, gram.MaxMass)
		wants = append(wants, c.Goal)
		v.goal += c.Goal
	}
	return wants
}

// bestReduction is what can still be done where the colour that is left does not suffice: all of it, and of the others
// what goes with it.
func (v *view) bestReduction() (Option, bool) {
	_, add, _, err := gram.OverReduced(v.wanted, v.in, 0, v.most[0])
	if err != nil {
		return Option{}, false
	}
	o := v.option(FitCup, v.whole, v.in, add, 0)
	return o, o.Fits && len(o.Add) > 0
}
