package web

import (
	"context"
	"fmt"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/gram"
	"pourbook/internal/pigment"
	"pourbook/internal/pour"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// usualLimit is the ΔE00 that a tint aims at where the plan names none. Common practice, no source.
const usualLimit = 0.3

// tintAdvice says what the last card of a cup asks for, or what is missing for that.
func (s *server) tintAdvice(ctx context.Context, state pour.State) (page.TintAdvice, error) {
	var v page.TintAdvice
	if state.Need() != pour.NeedNext || state.Reduced != nil {
		v.Unknown = "Advice comes when the cup is full, stirred and not yet reduced."
		return v, nil
	}
	c, err := s.tintCase(ctx, state)
	if err != nil {
		return v, err
	}
	href := "/batch/" + url.PathEscape(state.Batch)
	if c.last == nil {
		v.Unknown, v.DoRef, v.DoLabel = "There is no card of this cup yet, so nobody knows what it lacks. Draw some off, spray a card and log it.", href+"/card", "Log a card"
		return v, nil
	}
	v.Card = "From card " + strconv.Itoa(c.last.Number)
	if why := notFinal(*c.last); why != "" {
		v.Notes = append(v.Notes, why+". Solids usually darken as they dry, and clear deepens: what it asks for will change.")
	}
	switch {
	case c.moved:
		v.Unknown, v.DoRef, v.DoLabel = "Paint has gone in since that card was sprayed, so it no longer speaks for this cup. Spray another one.", href+"/card", "Log a card"
		return v, nil
	case len(c.unknown) > 0:
		v.Unknown = "There are no colour data of " + listed(c.unknown) + ", so what to add cannot be computed. Add a little of what the eye asks for, and spray another card."
		return v, nil
	case c.target == nil:
		v.Unknown, v.DoRef, v.DoLabel = "No spectrum of the target was measured, so an instrument's card has nothing to aim at.", formulaHref(state.Plan.FormulaID)+"/target", "Give the target's spectrum"
	case c.card == nil:
		v.Unknown, v.DoRef, v.DoLabel = "That card has no spectrum, so its colour is not known in figures.", cardHref(c.last.ID)+"/edit#instrument", "Give the card's spectrum"
	case c.cannot != "":
		v.Unknown = c.cannot
	}
	if v.Sources = "Computed from colour data: " + listed(c.palette.Sources) + "."; c.palette.Invented {
		v.Sources += " Invented data say nothing of real paint."
	}
	if c.anchored == nil {
		v.Eye, v.Unknown, err = s.byEye(state, c, v.Unknown)
		return v, err
	}
	return v, s.fillWays(state, c, &v)
}

// listed joins names as a sentence does.
func listed(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

// tintMost is how many toners a suggestion touches at most. Common practice, no source.
const tintMost = 3

// fillWays works out up to three suggestions from a measured card.
func (s *server) fillWays(state pour.State, c tintCase, v *page.TintAdvice) error {
	_, before, err := c.predict(c.in)
	if err != nil {
		return err
	}
	v.Before = lampWordsOf(before)
	limit := state.Plan.Limit
	if limit <= 0 {
		limit = usualLimit
	}
	if slices.Max(before) <= limit {
		v.Unknown = "The card is within the shop's limit of ΔE " + decimal(limit, 1) + " under every lamp. There is nothing to add."
		return nil
	}
	ask := pigment.TintAsk{
		In: c.in, Card: c.read, Target: c.wanted, Lights: store.Lights(), Observer: colour.TenDegrees, Limit: limit,
		Division: max(state.Plan.Balance.At(state.Last), 1),
	}
	inCup, shelf := make([]gram.Mass, len(c.in)), make([]gram.Mass, len(c.in))
	for i, m := range c.in {
		if m > 0 {
			inCup[i] = gram.MaxMass
		}
		shelf[i] = gram.MaxMass
	}
	var seen [][]gram.Mass
	for _, way := range []struct {
		title string
		most  int
		ready []gram.Mass
	}{
		{"What the card asks for", tintMost, shelf},
		{"Only with what is in the cup", tintMost, inCup},
		{"One toner only", 1, shelf},
	} {
		ask.MostToners, ask.Ready = way.most, way.ready
		got, err := c.palette.Tint(ask)
		if err != nil {
			return badRequest("%s", plain(err))
		}
		if len(seen) == 0 && got.Doubtful() {
			v.Notes = append(v.Notes, "The card is far from what its toners' data say: a wrong toner, a cup that was not stirred, or data of other lots. Take this as a guess.")
		}
		if !slices.ContainsFunc(got.Change, func(m gram.Mass) bool { return m > 0 }) || slices.ContainsFunc(seen, func(b []gram.Mass) bool { return slices.Equal(b, got.Change) }) {
			continue
		}
		seen = append(seen, got.Change)
		w, err := s.tintWay(state, c, got, limit)
		if err != nil {
			return err
		}
		w.Title, w.First = way.title, len(v.Ways) == 0
		for i := range w.Lamps {
			w.Lamps[i].Now = v.Before[i].DeltaE
		}
		v.Ways = append(v.Ways, w)
	}
	if len(v.Ways) == 0 {
		v.Unknown = "No toner that has colour data brings the card nearer by a tenth of ΔE. A fresh cup, or another formula, is the way."
	}
	return nil
}

func lampWordsOf(by []float64) []page.LampRow {
	var rows []page.LampRow
	for i, light := range store.Lights() {
		rows = append(rows, page.LampRow{Lamp: lampWords[light], DeltaE: decimal(by[i], 2), Word: seenBy(by[i])})
	}
	return rows
}

func (s *server) tintWay(state pour.State, c tintCase, got pigment.Tint, limit float64) (page.TintWay, error) {
	after := slices.Clone(c.in)
	var w page.TintWay
	for i, m := range got.Change {
		if after[i] += m; m > 0 {
			w.Adds = append(w.Adds, page.TintAdd{ID: strconv.FormatInt(c.palette.Toners[i], 10), Name: c.names[i], Grams: show(state, m)})
		}
	}
	spectrum, by, err := c.predict(after)
	if err != nil {
		return w, err
	}
	w.Lamps, w.Total = lampWordsOf(by), "The cup then holds "+show(state, got.Total)+" g."
	switch {
	case got.Meets:
		w.Why = "Brings the card within ΔE " + decimal(limit, 1) + " under every lamp."
	case got.Coarse:
		w.Why = "One division of this scale more or less would show: too coarse to be sure. A bigger batch or a finer scale would do it."
	default:
		w.Why = "As near as it comes: ΔE " + decimal(got.After, 2) + " under the worst lamp, from " + decimal(got.Before, 2) + "."
	}
	plane, err := c.plane(got.Change, spectrum)
	w.Plane = &plane
	return w, err
}

// plane draws where the card is, where a suggestion brings it and where each toner of the cup or of the suggestion would
// move it: each arrow is as long as its part in the plane of one and the same step of colour.
func (c tintCase) plane(change []gram.Mass, after colour.Spectrum) (page.Plane, error) {
	v := page.Plane{Label: "Where the card is from the target, in a* and b* and in lightness, and where each toner would move it"}
	weights, err := colour.NewWeights(c.anchored.Grid(), colour.D65, colour.TenDegrees)
	if err != nil {
		return v, err
	}
	target, err := c.wanted.Lab(colour.D65, colour.TenDegrees)
	if err != nil {
		return v, err
	}
	then, err := after.Lab(colour.D65, colour.TenDegrees)
	if err != nil {
		return v, err
	}
	pull, err := c.anchored.Sensitivity(gramsOf(c.in), pigment.Coat{}, weights)
	if err != nil {
		return v, err
	}
	from := func(l colour.Lab) colour.Lab {
		return colour.Lab{L: l.L - target.L, A: l.A - target.A, B: l.B - target.B}
	}
	card, to := from(pull.Lab), from(then)
	for _, d := range []float64{card.L, card.A, card.B, to.L, to.A, to.B} {
		v.Reach = max(v.Reach, math.Abs(d))
	}
	v.Reach = max(math.Ceil(v.Reach*2), 1)
	at := func(l colour.Lab) page.Point { return page.Point{X: l.A / v.Reach, Y: l.B / v.Reach} }
	v.Card, v.After, v.CardL, v.AfterL = at(card), at(to), card.L/v.Reach, to.L/v.Reach
	for i, slope := range pull.Slopes {
		length := math.Sqrt(slope.L*slope.L + slope.A*slope.A + slope.B*slope.B)
		if c.binder[i] || c.in[i] <= 0 && change[i] <= 0 || length < 1e-9 || len(v.Arrows) == 26 {
			continue
		}
		const step = 0.6 // of the reach
		a := page.PlaneArrow{
			Name: c.names[i], Letter: string(rune('A' + len(v.Arrows))), L: step * slope.L / length, Chosen: change[i] > 0,
			By: page.Point{X: step * slope.A / length, Y: step * slope.B / length},
		}
		v.Arrows = append(v.Arrows, a)
		v.Legend = append(v.Legend, page.PlaneRow{Letter: a.Letter, Name: a.Name, Words: pullWords(slope, length)})
	}
	return v, nil
}

// pullWords says how a toner moves the colour, and how much of it one unit of ΔE*ab takes.
func pullWords(slope colour.Lab, length float64) string {
	var words []string
	for _, axis := range []struct {
		part       float64
		less, more string
	}{{slope.L, "darker", "lighter"}, {slope.A, "greener", "redder"}, {slope.B, "bluer", "yellower"}} {
		switch {
		case axis.part > 0.25*length:
			words = append(words, axis.more)
		case axis.part < -0.25*length:
			words = append(words, axis.less)
		}
	}
	return strings.Join(words, ", ") + "; " + fmt.Sprintf("%.2g g move it by one unit", 1/length)
}

// byEye turns what the eye said of the last card into a cautious first step. Where it said nothing, the reason is added.
func (s *server) byEye(state pour.State, c tintCase, unknown string) (*page.TintWay, string, error) {
	verdict, ok := eyeVerdict(*c.last)
	switch {
	case !ok:
		return nil, joined(" ", unknown, "Nobody has judged it from the face by eye either."), nil
	case verdict.Off == [5]int{}:
		return nil, joined(" ", unknown, "By eye it is a match."), nil
	}
	said := capital(string(verdict.Light)) + ", face: " + verdict.String() + "."
	first, err := c.palette.First(pigment.FirstAsk{
		In: c.in, Eye: pigment.Eye{Lighter: verdict.Off[0], Redder: verdict.Off[1], Yellower: verdict.Off[2], Cleaner: verdict.Off[3]},
		Division: max(state.Plan.Balance.At(state.Last), 1),
	})
	if err != nil {
		return nil, joined(" ", unknown, said, plain(err)), nil
	}
	switch {
	case first.Toner < 0:
		return nil, joined(" ", unknown, said, "No one toner with colour data takes that out."), nil
	case first.Mass <= 0:
		return nil, joined(" ", unknown, said, fmt.Sprintf("All that it asks for is %.2g g of %s, less than this scale can weigh in two steps.", first.Whole.Grams(), c.names[first.Toner])), nil
	}
	return &page.TintWay{
		Title: "A cautious first step by eye", First: true, Total: "Then stir and spray another card.",
		Adds: []page.TintAdd{{ID: strconv.FormatInt(c.palette.Toners[first.Toner], 10), Name: c.names[first.Toner], Grams: show(state, first.Mass)}},
		Why:  said + " This is half of what that asks for: an eye does not measure.",
	}, unknown, nil
}

// eyeVerdict returns what was said of the face: by day where that was looked at, else under another lamp.
func eyeVerdict(c card.Card) (card.Verdict, bool) {
	for _, light := range card.Lights {
		for _, v := range c.Verdicts {
			if v.Light == light && v.Side == card.Face {
				return v, true
			}
		}
	}
	return card.Verdict{}, false
}
