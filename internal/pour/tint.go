package pour

import (
	"fmt"

	"pourbook/internal/gram"
)

// now returns the grams of colour that the cup is to hold when everything still to do is in: Total without what is
// held back until after the card.
func (s State) now() gram.Mass {
	var goal, want gram.Mass
	for _, c := range s.Components {
		if c.Colour() && c.Key != PaintKey {
			goal += c.Goal
			want += c.want()
		}
	}
	if goal <= 0 || goal == want {
		return s.Total
	}
	return gram.Of(s.Total.Grams() * float64(want) / float64(goal))
}

// BroughtUp returns the pours that bring what was held back to its share of what is in the cup now. Only toners that
// were held back are poured. No steps means that nothing was.
func BroughtUp(s State) Corrected {
	c := Corrected{Choice: BringUp, Total: s.Colour()}
	var goal gram.Mass
	for _, k := range s.Components {
		if k.Colour() && k.Key != PaintKey {
			goal += k.Goal
		}
	}
	if goal <= 0 {
		return c
	}
	// With H the toners held back and R the grams of all others, the cup will weigh M = R / (1 − Σ_H w).
	rest, share := s.Colour(), 0.0
	for i, k := range s.Components {
		if k.Held > 0 {
			rest -= s.In[i]
			share += float64(k.Goal) / float64(goal)
		}
	}
	if share <= 0 || share >= 1 {
		return c
	}
	full := rest.Grams() / (1 - share)
	no := s.nextNo
	for i, k := range s.Components {
		if k.Held <= 0 {
			continue
		}
		m := gram.Of(full*float64(k.Goal)/float64(goal)) - s.In[i]
		if m <= 0 {
			continue
		}
		c.Steps = append(c.Steps, Step{No: no, Key: k.Key, Aim: m, Tolerance: s.Tolerance(k, m), Why: WhyBringUp})
		c.Total += m
		no++
	}
	return c
}

// Addition is a toner to add after a card, of the formula or from the shelf.
type Addition struct {
	Component Component
	Mass      gram.Mass
}

// TintWith returns the pours of a tint. From there on the cup is to be what the tint makes of it.
// An error is a *Problem.
func TintWith(s State, additions []Addition) (Corrected, error) {
	c := Corrected{Choice: Tint, Total: s.Colour()}
	if len(additions) == 0 {
		return c, problem("additions", "Choose at least one toner to add.")
	}
	no := s.nextNo
	for i, a := range additions {
		field := fmt.Sprintf("additions[%d]", i)
		k := a.Component
		switch {
		case k.Key == "" || k.Key == PaintKey || !k.Colour():
			return c, problem(field+".toner", "%s cannot be a tint. Choose a toner of this paint system.", k.Name)
		case a.Mass <= 0:
			return c, problem(field+".mass", "%s: a tint can only add paint. Enter grams above 0.", k.Name)
		case a.Mass > gram.MaxMass-c.Total:
			return c, problem(field+".mass", "%s: that is more than a tonne. Enter fewer grams.", k.Name)
		}
		for _, earlier := range additions[:i] {
			if earlier.Component.Key == k.Key {
				return c, problem(field+".toner", "%s stands on the list twice. Put its grams into one line.", k.Name)
			}
		}
		if s.Index(k.Key) < 0 {
			k.Goal, k.Held = 0, 0
			c.Foreign = append(c.Foreign, k)
		}
		c.Steps = append(c.Steps, Step{No: no, Key: k.Key, Aim: a.Mass, Tolerance: s.Tolerance(k, a.Mass), Why: WhyTint})
		c.Total += a.Mass
		no++
	}
	return c, nil
}
