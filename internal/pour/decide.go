package pour

import (
	"math"
	"slices"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

// A decision (corrected, reduced) brings steps that somebody else worked out. Here they are held against the cup before
// they are kept, since what is kept is replayed for ever.

func (s State) acceptCorrection(b Corrected) ([]Body, error) {
	if err := s.mayCorrect(b); err != nil {
		return nil, err
	}
	if math.IsNaN(b.Worst) || math.IsInf(b.Worst, 0) || b.DeltaE != nil && (math.IsNaN(*b.DeltaE) || math.IsInf(*b.DeltaE, 0)) {
		return nil, refuse(Impossible, "The difference of this choice is not a number. Choose again.")
	}
	if b.Total <= 0 || b.Total > gram.MaxMass || b.Discard < 0 || b.Discard > s.Contents() {
		return nil, refuse(Impossible, "The grams of this choice cannot be right. Choose again.")
	}
	if b.Choice == StartAgain {
		b.Steps, b.Foreign = nil, nil
		return []Body{b, Abandoned{Why: "started again", Discarded: s.Contents() + s.Left}}, nil
	}
	var err error
	if b.Foreign, err = s.checkForeign(b.Foreign); err != nil {
		return nil, err
	}
	if err := s.checkSteps(b.Steps, b.Foreign); err != nil {
		return nil, err
	}
	return []Body{b}, nil
}

// mayCorrect says whether the choice makes sense now.
func (s State) mayCorrect(b Corrected) error {
	n := s.Need()
	switch b.Choice {
	case Tint, BringUp:
		if n != NeedNext || s.Reduced != nil {
			return refuse(NotNow, "Tint the stirred cup before it is reduced.")
		}
		if len(b.Steps) == 0 {
			return refuse(NotNow, "There is nothing to add.")
		}
		return nil
	case CarryOn, LeastPaint, Exact, FitCup, LiftOut, PourOff, BiggerCup, StartAgain:
	default:
		return refuse(Impossible, "Nobody knows this way to go on. Reload the page and choose again.")
	}
	switch {
	case n != NeedChoice && n != NeedLift:
		return refuse(NotNow, "There is nothing to correct.")
	case b.Choice == LiftOut && !s.onTop():
		return refuse(NotNow, "It does not lie on top any more. Choose another way.")
	case b.Choice == PourOff && s.Reduced != nil:
		return refuse(NotNow, "Hardener or reducer is in: pouring off cannot put that right. Choose another way.")
	}
	return nil
}

// onTop reports whether what is over lies on top of the cup, unstirred.
func (s State) onTop() bool {
	n := len(s.Layers)
	return s.Over != nil && n > 0 && !s.Stirred && !s.Layers[n-1].Mixed && s.Layers[n-1].Key == s.Over.Key
}

// checkForeign returns components that the batch does not know, as foreign ones: a decision cannot change the formula.
func (s State) checkForeign(foreign []Component) ([]Component, error) {
	out := slices.Clone(foreign)
	for i, c := range out {
		if c.Key == "" || c.Key == PaintKey || !c.Colour() || s.Index(c.Key) >= 0 ||
			slices.ContainsFunc(out[:i], func(k Component) bool { return k.Key == c.Key }) {
			return nil, refuse(Impossible, "%s cannot be added to this cup. Choose a toner of this paint system.", c.Name)
		}
		if !soundDensity(c.Density) {
			return nil, refuse(Impossible, "The density of %s is not a number. Correct it on the shelf.", c.Name)
		}
		out[i].Goal, out[i].Held = 0, 0
	}
	return out, nil
}

func soundDensity(d float64) bool { return d >= 0 && !math.IsInf(d, 0) }

// checkSteps refuses steps that take paint out, use what is not known, or use a number that was used for another pour.
func (s State) checkSteps(steps []Step, foreign []Component) error {
	var sum, paint gram.Mass
	for i, step := range steps {
		known := s.Index(step.Key) >= 0 || slices.ContainsFunc(foreign, func(c Component) bool { return c.Key == step.Key })
		open := slices.ContainsFunc(s.Todo, func(t Step) bool { return t.No == step.No && t.Key == step.Key })
		fresh := step.No >= s.nextNo && step.No < s.nextNo+len(steps)
		switch {
		case step.Aim <= 0 || step.Aim > gram.MaxMass-sum:
			return refuse(Impossible, "A correction can only add paint, and less than a tonne of it.")
		case !known:
			return refuse(Impossible, "A pour of this choice names a toner that is not in the batch. Choose again.")
		case !open && !fresh || slices.ContainsFunc(steps[:i], func(t Step) bool { return t.No == step.No }):
			return refuse(Impossible, "The pours of this choice do not belong to this cup as it stands. Choose again.")
		case step.Tolerance < 0 || step.Tolerance > max(step.Aim, s.Plan.Balance.At(s.Last)):
			return refuse(Impossible, "The tolerance of a pour of this choice cannot be right. Choose again.")
		}
		sum += step.Aim
		if step.Key == PaintKey {
			paint += step.Aim
		}
	}
	if paint > s.Left {
		return refuse(Impossible, "Only %s g of paint are left in the mixing cup.", s.show(s.Left))
	}
	return nil
}

func (s State) acceptReduction(b Reduced) ([]Body, error) {
	if s.Need() != NeedNext || s.Reduced != nil {
		return nil, refuse(NotNow, "Reduce the cup once, when it is full and stirred.")
	}
	have := s.Contents()
	if b.Portion <= 0 || b.Portion > have || !b.NewCup && b.Portion != have {
		return nil, refuse(Impossible, "Between 0 and %s g can be reduced; less than all of it goes into a second cup.", s.show(have))
	}
	if len(b.Parts) == 0 {
		return nil, refuse(Impossible, "A reduction needs at least one part besides the paint.")
	}
	steps := b.Steps
	if b.NewCup {
		if len(steps) == 0 || steps[0].Key != PaintKey || steps[0].Aim != b.Portion {
			return nil, refuse(Impossible, "The paint has to go into the second cup first.")
		}
		steps = steps[1:]
	}
	if len(steps) != len(b.Parts) {
		return nil, refuse(Impossible, "Every part of the reduction needs one pour.")
	}
	for i, c := range b.Parts {
		switch {
		case c.Colour() || c.Key == "" || s.Index(c.Key) >= 0 || slices.ContainsFunc(b.Parts[:i], func(k Component) bool { return k.Key == c.Key }):
			return nil, refuse(Impossible, "%s is neither hardener nor reducer of this batch. State the reduction again.", c.Name)
		case c.Goal <= 0 || c.Goal > gram.MaxMass || c.Held != 0 || !soundDensity(c.Density):
			return nil, refuse(Impossible, "The grams of %s cannot be right. State the reduction again.", c.Name)
		case steps[i].Key != c.Key || steps[i].Aim != c.Goal:
			return nil, refuse(Impossible, "The pours do not match the parts of the reduction. State it again.")
		}
	}
	for i, step := range b.Steps {
		if step.No != s.nextNo+i || step.Tolerance < 0 || step.Tolerance > max(step.Aim, s.Plan.Balance.At(s.Last)) {
			return nil, refuse(Impossible, "The pours of this reduction do not belong to this cup as it stands. State it again.")
		}
	}
	return []Body{b}, nil
}

// keepable returns what can go into a tin: paint that no hardener has touched.
func (s State) keepable() gram.Mass {
	if s.ActivatedAt.IsZero() {
		return s.Contents() + s.Left
	}
	return s.Left
}

// exactly is the correction that brings the stirred cup to the formula at the grams of colour that were wanted. It is
// closed arithmetic (gram.Exact), not an optimisation. What is foreign stays and takes its room.
func (s State) exactly() Corrected {
	wanted, poured, at := s.wanted()
	var foreign gram.Mass
	for i, c := range s.Components {
		if c.want() == 0 && c.Colour() {
			foreign += s.In[i]
		}
	}
	now := s.now()
	goal, add, _ := gram.Exact(wanted, poured, max(now-foreign, gram.Sum(poured)))
	c := Corrected{Choice: Exact, Total: s.Total}
	if add == nil {
		return c
	}
	c.Total = gram.Of((goal + foreign).Grams() * float64(s.Total) / float64(now))
	no := s.nextNo
	for j, m := range add {
		if m <= 0 {
			continue
		}
		comp := s.Components[at[j]]
		c.Steps = append(c.Steps, Step{No: no, Key: comp.Key, Aim: m, Tolerance: s.Tolerance(comp, m), Why: WhyTopUp})
		no++
	}
	return c
}

// rescaled is the correction after a move in which more or less stayed in the old cup than was reckoned with: every
// pour to come is scaled by what arrived.
func (s State) rescaled(choice Choice, expected gram.Mass) (Corrected, bool) {
	have := s.Contents()
	if expected <= 0 || len(s.Todo) == 0 || (have-expected).Abs() <= s.Plan.Balance.At(s.Last) {
		return Corrected{}, false
	}
	f := float64(have) / float64(expected)
	c := Corrected{Choice: choice, Total: max(gram.Of(s.Total.Grams()*f), 1), Note: "scaled to what arrived in the new cup"}
	for _, step := range s.Todo {
		step.Aim = gram.Of(step.Aim.Grams() * f)
		if step.Aim <= 0 {
			continue
		}
		step.Tolerance = s.Tolerance(s.Component(step.Key), step.Aim)
		c.Steps = append(c.Steps, step)
	}
	return c, true
}

// activates reports whether booking a component starts the pot-life clock.
func (s State) activates(k Key) bool {
	return s.Component(k).Role == formula.Hardener && s.ActivatedAt.IsZero()
}
