package pour

import (
	"fmt"
	"slices"

	"pourbook/internal/gram"
)

// Stand is a cup described as it stands, without its history: what a calculator is told.
type Stand struct {
	Components []Component // of the formula, Goal in any unit of one size, in pouring order
	Total      gram.Mass   // wanted
	Poured     []Addition  // totals by toner; one that is not among Components is foreign
	Last       Key         // the toner that lies on top; empty: not known
	Stirred    bool
	Balance    gram.Balance
}

// State returns the cup as Choices takes it. Toners short of their goal by more than their tolerance count as still
// to come, in the order of Components. An error is a *Problem.
func (d Stand) State() (State, error) {
	if len(d.Components) == 0 {
		return State{}, problem("components", "The list is empty. Enter at least one toner.")
	}
	weights := make([]gram.Mass, len(d.Components))
	for i, c := range d.Components {
		if c.Goal <= 0 {
			return State{}, problem(fmt.Sprintf("components[%d].grams", i), "%s must weigh more than 0.", c.Name)
		}
		weights[i] = c.Goal
	}
	goals, err := gram.Resize(weights, d.Total)
	if err != nil {
		return State{}, problem("grams", "The amount wanted must lie above 0 and below a tonne, and the formula below a tonne.")
	}
	s := State{Placed: true, Stirred: d.Stirred, Total: d.Total, nextNo: 1, Components: slices.Clone(d.Components)}
	s.Plan = Planned{Total: d.Total, Balance: d.Balance}
	s.In = make([]gram.Mass, len(s.Components))
	for i := range s.Components { // Goal stays as it was stated: only the ratio counts, and it is exact there
		s.Components[i].Held = 0
	}
	s.Plan.Components = slices.Clone(s.Components)
	for i, p := range d.Poured {
		field := fmt.Sprintf("poured[%d].grams", i)
		if p.Mass < 0 || p.Mass > gram.MaxMass-s.Last {
			return State{}, problem(field, "%s: %v cannot be in a cup.", p.Component.Name, p.Mass)
		}
		if p.Mass == 0 {
			continue
		}
		at := s.add(Component{Key: p.Component.Key, Name: p.Component.Name, Role: p.Component.Role, Strength: p.Component.Strength, Density: p.Component.Density})
		s.In[at] += p.Mass
		s.Last += p.Mass
		s.Layers = append(s.Layers, Layer{Key: p.Component.Key, Mass: p.Mass})
	}
	if err := d.putOnTop(&s); err != nil {
		return State{}, err
	}
	if d.Stirred {
		s.stirLayers()
	}
	for i, goal := range goals {
		c, short := s.Components[i], goal-s.In[i]
		if short > 0 && (s.In[i] == 0 || short > s.Tolerance(c, goal)) {
			s.Todo = append(s.Todo, Step{No: s.nextNo, Key: c.Key, Aim: short, Tolerance: s.Tolerance(c, short)})
			s.nextNo++
		}
	}
	s.Over = d.over(s, goals)
	return s, nil
}

func (d Stand) putOnTop(s *State) error {
	if d.Last == "" {
		if n := len(s.Layers); n > 0 { // nobody said what lies on top, so nothing can be lifted out
			s.stirLayers()
		}
		return nil
	}
	at := slices.IndexFunc(s.Layers, func(l Layer) bool { return l.Key == d.Last })
	if at < 0 {
		return problem("last", "What lies on top is not among what was poured. Name one of those toners.")
	}
	top := s.Layers[at]
	s.Layers = append(slices.Delete(s.Layers, at, at+1), top)
	return nil
}

// over returns what lies on top if there is too much of it, or else the toner that is furthest over.
func (d Stand) over(s State, goals []gram.Mass) *Over {
	var worst *Over
	ratio := 0.0
	for i, c := range s.Components {
		goal := gram.Mass(0) // of what is foreign
		if i < len(goals) {
			goal = goals[i]
		}
		by := s.In[i] - goal
		if by <= 0 {
			continue
		}
		o := &Over{Key: c.Key, By: by, Aim: goal, Net: s.In[i], Foreign: goal == 0}
		if c.Key == d.Last {
			return o
		}
		if r := by.Grams() / max(goal, 1).Grams(); worst == nil || r > ratio {
			worst, ratio = o, r
		}
	}
	return worst
}
