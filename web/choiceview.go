package web

import (
	"fmt"
	"net/http"
	"strings"

	"pourbook/internal/formula"
	"pourbook/internal/pour"
	"pourbook/web/page"
)

func (s *server) choiceView(r *http.Request, state pour.State) (page.Choice, error) {
	options, err := s.options(r, state)
	if err != nil {
		return page.Choice{}, err
	}
	over := *state.Over
	name := state.Component(over.Key).Name
	v := page.Choice{
		Heading: fmt.Sprintf("%s is %s g over", name, show(state, over.By)),
		Sub:     fmt.Sprintf("Wanted %s, poured %s. Nothing is lost: choose how to go on.", show(state, over.Aim), show(state, over.Net)),
	}
	if over.Foreign {
		v.Heading = fmt.Sprintf("%s g of %s do not belong in here", show(state, over.By), name)
		v.Sub = "Nothing is lost yet: choose how to go on."
	}
	for i, o := range inOrderOfUse(options) {
		view := s.optionView(state, o, i == 0)
		if len(v.Options) < 3 && (o.Fits || i == 0) {
			v.Options = append(v.Options, view)
		} else {
			v.Others = append(v.Others, view)
		}
	}
	return v, nil
}

// inOrderOfUse leaves out ways that pour the very same as an earlier one, and puts those that fit and meet the limit
// before the rest. The recommended one stays first.
func inOrderOfUse(options []pour.Option) []pour.Option {
	shown := map[pour.Choice]bool{}
	var good, rest []pour.Option
	for i, o := range options {
		if o.SameAs != "" && shown[o.SameAs] {
			continue
		}
		shown[o.Choice] = true
		if i == 0 || o.Fits && o.Within {
			good = append(good, o)
		} else {
			rest = append(rest, o)
		}
	}
	return append(good, rest...)
}

func (s *server) optionView(state pour.State, o pour.Option, first bool) page.Option {
	v := page.Option{
		Key: string(o.Choice), Title: o.Choice.Title(), Amount: show(state, o.Extra) + " g", AmountLabel: "more paint",
		Recommended: first, Cost: money(o.Cost),
	}
	v.Why = o.Reason
	if first {
		if add := topUps(state, o); add != "" && !strings.Contains(o.Reason, add) {
			v.Why = add + ". " + o.Reason
		}
	}
	if o.Discard > 0 {
		v.Amount, v.AmountLabel = show(state, o.Discard)+" g", "thrown away"
	}
	v.Match, v.MatchDetail = matchWords(o)
	if !o.Fits {
		v.Match, v.MatchDetail = "does not fit", "in this cup"
	}
	return v
}

// topUps lists what is added to toners that are in already: "Chalk 5.1, Delft 2.0".
func topUps(state pour.State, o pour.Option) string {
	var parts []string
	for _, a := range o.Add {
		if !a.StillToCome && a.Mass > 0 {
			parts = append(parts, a.Name+" "+show(state, a.Mass))
		}
	}
	return strings.Join(parts, ", ")
}

func matchWords(o pour.Option) (string, string) {
	switch {
	case o.Worst < 0.05 && o.Foreign < 0.05:
		return "exact", ""
	case o.DeltaE != nil:
		return seenBy(*o.DeltaE), fmt.Sprintf("ΔE %.2f", *o.DeltaE)
	case o.Foreign >= 0.05:
		return fmt.Sprintf("%.1f %%", o.Foreign), "foreign toner"
	}
	return fmt.Sprintf("%.1f %%", o.Worst), "off at most"
}

// seenBy says who would see a difference. Common practice, no source.
func seenBy(deltaE float64) string {
	switch {
	case deltaE < 0.3:
		return "not seen"
	case deltaE <= 1:
		return "side by side only"
	case deltaE <= 2:
		return "seen when looked for"
	}
	return "seen at a glance"
}

func money(m formula.Money) string {
	if m == 0 {
		return ""
	}
	sign := ""
	if m < 0 {
		sign, m = "−", -m
	}
	return fmt.Sprintf("%s%d.%02d", sign, m/100, m%100)
}
