package pour

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

// Request is what somebody wants mixed.
type Request struct {
	Title      string
	Job        string
	Swatch     string // of the formula
	FormulaID  int64
	RevisionID int64
	Revision   int
	System     formula.System
	Coat       formula.Coat
	Lines      []formula.Line
	FixedOrder bool // the order of the lines belongs to the formula

	Amount    gram.Amount
	Ready     bool           // the amount is of paint ready to spray; the colour is worked back through Reduction
	Reduction *formula.Ratio // nil: none
	PotLife   time.Duration

	Balance  gram.Balance
	Cup      Cup
	CupEmpty gram.Mass // gross reading with the empty cup on; 0 where the display is tared

	SafeOrder bool // the order that risks least paint
	HoldBack  []HoldBack
	Cut       []CutToner
	Typed     bool // readings are typed by hand from a tared display
	Again     string
	Limit     float64 // ΔE00 that the shop allows at the bench

	TolerancePercent float64 // by how much one division may change a toner's own grams; 0 means 20
}

// HoldBack keeps a part of a toner back until after the card.
type HoldBack struct {
	Key  Key
	Part float64 // 0.05 to 0.20 of its grams; common practice, no source
}

// CutToner puts a weak mixture of a strong toner in its place, so that a small amount can be weighed.
type CutToner struct {
	Toner    Key
	Cut      formula.Toner
	Strength float64 // grams of the toner in one gram of the cut toner, above 0 and below 1
	Base     Key     // the rest of the cut toner; that much less of it is poured
}

// Problem says which field of a request cannot be used, and what to do about it in one plain sentence.
type Problem struct {
	Field  string // "amount", "lines[2].density"
	Detail string
}

func (p *Problem) Error() string { return p.Detail }

func problem(field, format string, args ...any) *Problem {
	return &Problem{Field: field, Detail: fmt.Sprintf(format, args...)}
}

// Weighing says whether this scale and this cup can do a plan.
type Weighing struct {
	Rows      []WeighRow // every pour in its order; a toner poured twice has two
	Smallest  gram.Mass  // smallest honest batch: one division stays within the tolerance of every toner
	Limiting  Key        // the toner that sets Smallest
	Weighable bool
	Ranges    []gram.Range // batches that can be weighed; several where the scale has two ranges

	Density     float64 // g/ml of the colour, 0: not known
	Millilitres float64 // of the colour, 0: not known
	Fits        bool    // under the cup's fill line and within what the scale can carry, reduction to come included
	Room        gram.Mass
	Cups        int       // cups that the batch needs; 1 where it fits
	Each        gram.Mass // grams of colour in each of them

	Sentence string // what is so, for the head of the plan
	Notes    []string
	WaysOut  []WayOut
}

// Mark says how hard a pour is to weigh.
type Mark string

// The marks.
const (
	MarkNone     Mark = ""
	MarkWarn     Mark = "warn"     // under 10 divisions
	MarkOverride Mark = "override" // under 5 divisions: somebody has to say that it is meant
)

// Divisions of the display under which a pour is warned about, and under which it has to be overridden.
// Common practice, no source.
const (
	warnDivisions     = 10
	overrideDivisions = 5
)

// WeighRow is one pour of a plan as the scale will show it.
type WeighRow struct {
	Key      Key
	Name     string
	Grams    gram.Mass // exact to the milligram
	Running  gram.Mass // exact, since the empty cup
	Reading  gram.Mass // Running as the display shows it
	Net      gram.Mass // this pour alone, in whole divisions; the largest takes the leftover
	Division gram.Mass // of the display where this pour ends
	Percent  float64   // one division in per cent of this pour
	Mark     Mark
	Why      Why
}

// Way is a way out of a batch that is too small for its scale.
type Way string

// The ways out.
const (
	WayMixMore    Way = "mix_more"
	WayFinerScale Way = "finer_scale"
	WayCutToner   Way = "cut_toner"
)

// WayOut is one way to make a batch weighable.
type WayOut struct {
	Way      Way
	Amount   gram.Mass // mix_more: of colour
	Division gram.Mass // finer_scale
	Toner    Key       // cut_toner: what is cut …
	Base     Key       // … in what …
	Strength float64   // … how strong …
	Grams    gram.Mass // … how much of it goes in …
	Less     gram.Mass // … and how much less of the base
	Possible bool
	Sentence string
}

// defaultTolerancePercent lets one division be a fifth of the smallest pour. Common practice, no source.
const defaultTolerancePercent = 20

// Wetting pour and hand-typed first pour. Common practice, no source.
const (
	wettingPart    = 0.15 // of the base, within 10 to 20 %
	wettingLeast   = 20 * gram.Gram
	strongFromMass = 1 * gram.Gram // smaller pours stay where the formula has them
	typedFirst     = 5 * gram.Gram
)

// NewPlan works out what to pour for a request and whether the scale can weigh it.
// The plan holds whole milligrams that sum to the amount; a batch that is hard or impossible to weigh is still
// planned, and Weighing says so. An error is a *Problem; where the batch is more than the scale can carry, Weighing
// is filled in as well and says how many cups to make of it.
func NewPlan(r Request) (Planned, Weighing, error) {
	shares, err := checkLines(r)
	if err != nil {
		return Planned{}, Weighing{}, err
	}
	density, missing := mixDensity(r.Lines, shares)
	total, err := colourTotal(r, density, missing)
	if err != nil {
		return Planned{}, Weighing{}, err
	}
	components, err := planComponents(r, total)
	if err != nil {
		return Planned{}, Weighing{}, err
	}
	steps, notes := planSteps(r, components)
	w, err := weigh(r, components, steps, total, density)
	if err != nil {
		return Planned{}, Weighing{}, err
	}
	w.Notes = append(notes, w.Notes...)
	if top := r.Balance.Max; top > 0 && r.CupEmpty+total > top {
		return Planned{}, w, problem("amount", "%s", w.Sentence)
	}
	return Planned{
		Title: r.Title, Job: r.Job, Swatch: r.Swatch, FormulaID: r.FormulaID, RevisionID: r.RevisionID, Revision: r.Revision,
		System: r.System, Coat: r.Coat, Asked: asked(r), Total: total, Components: components, Steps: steps,
		Balance: r.Balance, Cup: r.Cup, Reduction: r.Reduction, PotLife: r.PotLife, Typed: r.Typed, Again: r.Again,
		SafeOrder: r.SafeOrder, Limit: r.Limit,
	}, w, nil
}

func asked(r Request) string {
	if r.Ready {
		return r.Amount.String() + " ready to spray"
	}
	return r.Amount.String() + " of colour"
}

func checkLines(r Request) ([]gram.Mass, error) {
	if len(r.Lines) == 0 {
		return nil, problem("lines", "The formula has no toners. Enter at least one.")
	}
	if r.Balance.Division <= 0 || r.Balance.HighFrom > 0 && r.Balance.HighDivision <= 0 {
		return nil, problem("balance", "The smallest step of the scale's display is not known. Enter it on the scale's page.")
	}
	if r.CupEmpty < 0 || r.CupEmpty > gram.MaxMass {
		return nil, problem("cup_empty", "The empty cup cannot weigh %v. Read the scale again.", r.CupEmpty)
	}
	if r.TolerancePercent < 0 || r.TolerancePercent > 100 || math.IsNaN(r.TolerancePercent) {
		return nil, problem("tolerance_percent", "The tolerance must lie between 0 and 100 per cent.")
	}
	if !(r.Cup.Brim >= 0) || math.IsInf(r.Cup.Brim, 0) || r.Cup.Empty < 0 {
		return nil, problem("cup", "The size of this cup is not a number of millilitres. Correct it on the shop's page.")
	}
	if !(r.Limit >= 0) || math.IsInf(r.Limit, 0) {
		return nil, problem("limit", "The shop's limit must be a difference of 0 or more.")
	}
	if r.Reduction != nil {
		if err := checkRatio(*r.Reduction); err != nil {
			return nil, err
		}
	}
	weights := make([]gram.Mass, len(r.Lines))
	system := r.System
	for i, line := range r.Lines {
		t := line.Toner
		switch {
		case line.Mass <= 0:
			return nil, problem(fmt.Sprintf("lines[%d].mass", i), "%s must weigh more than 0 in the formula.", t.Name)
		case t.Kind == formula.Hardener || t.Kind == formula.Reducer:
			return nil, problem(fmt.Sprintf("lines[%d].toner", i), "%s is a %s and belongs to the reduction, not to the colour.", t.Name, t.Kind)
		case !soundDensity(t.Density):
			return nil, problem(fmt.Sprintf("lines[%d].density", i), "%v g/ml is not a density. Enter that of %s as a number above 0.", t.Density, t.Name)
		case system != "" && t.System != "" && t.System != system:
			return nil, problem(fmt.Sprintf("lines[%d].toner", i), "%s belongs to %s and this cup to %s. Two systems never meet in one cup; choose a toner of the same system.", t.Name, t.System, system)
		}
		if system == "" {
			system = t.System
		}
		for _, earlier := range r.Lines[:i] {
			if earlier.Toner.ID == t.ID {
				return nil, problem(fmt.Sprintf("lines[%d].toner", i), "%s stands in the formula twice. Put its grams into one line.", t.Name)
			}
		}
		weights[i] = line.Mass
	}
	if _, err := gram.Fractions(weights); err != nil {
		return nil, problem("lines", "The formula weighs more than a tonne. Use smaller weights in the same ratio.")
	}
	return weights, nil
}

// mixDensity returns the density of the colour, or 0 and the first toner whose density is not known.
func mixDensity(lines []formula.Line, weights []gram.Mass) (float64, int) {
	densities := make([]float64, len(lines))
	for i, line := range lines {
		densities[i] = line.Toner.Density
	}
	density, err := gram.Density(weights, densities)
	if err == nil {
		return density, -1
	}
	var missing *gram.DensityError
	if errors.As(err, &missing) {
		return 0, missing.Index
	}
	return 0, 0
}

// colourTotal returns the grams of colour that an amount asks for.
func colourTotal(r Request, density float64, missing int) (gram.Mass, error) {
	needs := r.Amount.Unit.IsVolume()
	if r.Ready {
		if r.Reduction == nil {
			return 0, problem("reduction", "An amount ready to spray needs a reduction. Choose one, or ask for the colour alone.")
		}
		needs = needs || r.Reduction.By == byVolume
	}
	if needs && density <= 0 {
		name := r.Lines[missing].Toner.Name
		return 0, problem(fmt.Sprintf("lines[%d].density", missing), "The density of %s is not known, so %s cannot be weighed. Enter it on the shelf, or ask for grams of colour.", name, r.Amount)
	}
	if !r.Ready {
		total, err := r.Amount.Mass(density)
		if err != nil {
			return 0, amountProblem(err)
		}
		return total, nil
	}
	for i, p := range r.Reduction.Parts {
		if needs && p.Density <= 0 {
			return 0, problem(fmt.Sprintf("reduction.parts[%d].density", i), "The density of %s is not known, so %s ready to spray cannot be worked out. Enter it on the shelf.", p.Name, r.Amount)
		}
	}
	colour, err := gram.ColourForReady(r.Amount, density, r.Reduction.Paint, gramParts(*r.Reduction), r.Reduction.By == byVolume)
	if err != nil {
		return 0, amountProblem(err)
	}
	if colour <= 0 {
		return 0, problem("amount", "%s ready to spray is too little to weigh. Ask for more.", r.Amount)
	}
	return colour, nil
}

func gramParts(q formula.Ratio) []gram.Part {
	parts := make([]gram.Part, len(q.Parts))
	for i, p := range q.Parts {
		parts[i] = gram.Part{Name: partName(p), Parts: p.Parts, Density: p.Density}
	}
	return parts
}

func amountProblem(err error) *Problem {
	text := strings.TrimPrefix(err.Error(), "gram: ")
	return problem("amount", "%s", upperFirst(text)+".")
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// The ways in which a ratio counts its parts.
const (
	byVolume = "volume"
	byWeight = "weight"
)

func checkRatio(q formula.Ratio) error {
	if q.By != byVolume && q.By != byWeight {
		return problem("reduction.by", "Say whether the ratio is by volume or by weight.")
	}
	if !(q.Paint > 0) || math.IsInf(q.Paint, 0) {
		return problem("reduction.paint", "The ratio needs parts of paint above 0.")
	}
	if len(q.Parts) == 0 {
		return problem("reduction.parts", "The ratio names nothing beside the paint. Enter hardener, reducer or both.")
	}
	for i, p := range q.Parts {
		field := fmt.Sprintf("reduction.parts[%d]", i)
		switch {
		case !(p.Parts > 0) || math.IsInf(p.Parts, 0):
			return problem(field+".parts", "%s needs parts above 0 in the ratio.", partName(p))
		case p.Density < 0 || math.IsNaN(p.Density) || math.IsInf(p.Density, 0):
			return problem(field+".density", "%v g/ml is not a density. Enter that of %s as a number above 0.", p.Density, partName(p))
		case p.Kind != formula.Hardener && p.Kind != formula.Reducer:
			return problem(field+".kind", "Say whether %s is the hardener or the reducer.", partName(p))
		}
	}
	return nil
}

func partName(p formula.Part) string {
	if p.Name != "" {
		return p.Name
	}
	return string(p.Kind)
}

// thinDensity stands in for the density of a hardener or reducer that is not known, in g/ml, where only the room in
// a cup depends on it. Light solvents are about as light, so the room errs to the safe side. Common practice, no source.
const thinDensity = 0.8

// swell returns by how much paint grows when it is made ready to spray, in mass and in volume. An unknown density of
// the paint counts as 1 g/ml.
func swell(q formula.Ratio, density float64) (mass, volume float64) {
	if density <= 0 {
		density = 1
	}
	mass, volume = 1, 1
	for _, p := range q.Parts {
		d := p.Density
		if d <= 0 {
			d = thinDensity
		}
		part := p.Parts / q.Paint
		if q.By == byVolume {
			volume += part
			mass += part * d / density
		} else {
			mass += part
			volume += part * density / d
		}
	}
	return mass, volume
}

// roomFor returns how many grams of colour a cup can hold on this scale, hardener and reducer to come left room for.
// false means that nothing is known that would limit it.
func roomFor(cup Cup, empty gram.Mass, b gram.Balance, q *formula.Ratio, density float64) (gram.Mass, bool) {
	mass, volume := 1.0, 1.0
	if q != nil && checkRatio(*q) == nil {
		mass, volume = swell(*q, density)
	}
	limit, limited := gram.MaxMass, false
	if cup.Brim > 0 && density > 0 {
		limit, limited = min(limit, floorMass(cup.Brim*FillPart/volume*density)), true
	}
	if b.Max > 0 {
		limit, limited = min(limit, floorMass((b.Max-empty).Grams()/mass)), true
	}
	return max(limit, 0), limited
}

// floorMass returns grams as a mass, rounded down.
func floorMass(grams float64) gram.Mass {
	return gram.Mass(math.Floor(min(grams, gram.MaxMass.Grams())*float64(gram.Gram) + 1e-6))
}

func planComponents(r Request, total gram.Mass) ([]Component, error) {
	weights := make([]gram.Mass, len(r.Lines))
	for i, line := range r.Lines {
		weights[i] = line.Mass
	}
	goals, err := gram.Resize(weights, total)
	if err != nil {
		return nil, amountProblem(err)
	}
	components := make([]Component, len(r.Lines))
	for i, line := range r.Lines {
		if goals[i] <= 0 {
			return nil, problem("amount", "In so small a batch %s would weigh less than a milligram. Ask for more.", line.Toner.Name)
		}
		components[i] = ComponentOf(line.Toner, goals[i])
	}
	if components, err = useCuts(r, components); err != nil {
		return nil, err
	}
	for i, h := range r.HoldBack {
		field := fmt.Sprintf("hold_back[%d]", i)
		j := slices.IndexFunc(components, func(c Component) bool { return c.Key == h.Key })
		switch {
		case j < 0:
			return nil, problem(field+".key", "What is to be held back is not in this formula. Choose one of its toners.")
		case !(h.Part >= 0.05 && h.Part <= 0.20):
			return nil, problem(field+".part", "Hold back between 5 and 20 per cent of %s.", components[j].Name)
		case components[j].Held > 0:
			return nil, problem(field+".key", "%s is held back twice. Say it once.", components[j].Name)
		}
		components[j].Held = gram.Of(components[j].Goal.Grams() * h.Part)
	}
	return components, nil
}

// useCuts replaces x grams of a toner by x/s of its cut toner and takes x(1−s)/s from the base.
func useCuts(r Request, components []Component) ([]Component, error) {
	for i, c := range r.Cut {
		field := fmt.Sprintf("cut[%d]", i)
		at := slices.IndexFunc(components, func(k Component) bool { return k.Key == c.Toner })
		base := slices.IndexFunc(components, func(k Component) bool { return k.Key == c.Base })
		switch {
		case at < 0:
			return nil, problem(field+".toner", "The toner that is to be cut is not in this formula. Choose one of its toners.")
		case base < 0 || base == at:
			return nil, problem(field+".base", "%s is cut in a base that is not in this formula. Choose a cut toner made with one of its toners.", components[at].Name)
		case !(c.Strength > 0 && c.Strength < 1):
			return nil, problem(field+".strength", "A cut toner holds more than none and less than all of its toner. Enter its strength between 0 and 100 per cent.")
		case c.Cut.System != "" && components[at].TonerID != 0 && r.System != "" && c.Cut.System != r.System:
			return nil, problem(field+".cut", "%s belongs to %s and this cup to %s. Two systems never meet in one cup.", c.Cut.Name, c.Cut.System, r.System)
		case slices.ContainsFunc(components, func(k Component) bool { return k.Key == TonerKey(c.Cut.ID) }):
			return nil, problem(field+".cut", "%s stands in the formula already. Choose another cut toner.", c.Cut.Name)
		}
		grams, less, err := gram.CutToner(components[at].Goal, c.Strength, components[base].Goal)
		if err != nil {
			return nil, problem(field+".strength", "There is too little %s in this formula to make room for so weak a cut of %s. Use a stronger one, or mix more.", components[base].Name, components[at].Name)
		}
		components[base].Goal -= less
		components[at] = ComponentOf(c.Cut, grams)
		if components[base].Goal == 0 {
			components = slices.Delete(components, base, base+1)
		}
	}
	return components, nil
}

// planSteps puts the pours in order.
func planSteps(r Request, components []Component) ([]Step, []string) {
	order := make([]int, len(components))
	for i := range order {
		order[i] = i
	}
	wetting := -1
	if r.SafeOrder && !r.FixedOrder {
		order, wetting = safeOrder(components)
	}
	var notes []string
	if r.SafeOrder && r.FixedOrder {
		notes = append(notes, "The order belongs to this formula and was kept.")
	}
	steps := make([]Step, 0, len(order)+1)
	add := func(i int, m gram.Mass, why Why) {
		tol := tolerance(components[i], m, r.Balance.At(r.CupEmpty))
		steps = append(steps, Step{No: len(steps) + 1, Key: components[i].Key, Aim: m, Tolerance: tol, Why: why})
	}
	rest := gram.Mass(0)
	if wetting >= 0 {
		whole := components[wetting].want()
		splash := max(gram.Of(whole.Grams()*wettingPart), wettingLeast)
		if splash < whole {
			add(wetting, splash, WhyWetting)
			rest = whole - splash
		} else {
			add(wetting, whole, "")
		}
	}
	for _, i := range order {
		switch {
		case i != wetting:
			add(i, components[i].want(), "")
		case rest > 0:
			add(i, rest, "")
		}
	}
	if r.Typed && steps[0].Aim < typedFirst {
		j := slices.IndexFunc(steps, func(s Step) bool { return s.Aim >= typedFirst })
		if j > 0 && !r.FixedOrder {
			first := steps[j]
			steps = slices.Insert(slices.Delete(steps, j, j+1), 0, first)
			for k := range steps {
				steps[k].No = k + 1
			}
			name := components[slices.IndexFunc(components, func(c Component) bool { return c.Key == first.Key })].Name
			notes = append(notes, fmt.Sprintf("%s goes first: a tared display can swallow the start of a small pour.", name))
		} else {
			notes = append(notes, "The first pour is under 5 g. A tared display can swallow its start: pour it without taring, and type what the scale reads.")
		}
	}
	return steps, notes
}

// safeOrder returns the order that risks least paint, and which component is splashed in first to wet the cup (-1: none).
// Its rules: after the wetting pour what must be wetted first, then strong toners from 1 g up, smallest first, then the
// others, smallest first, and the rest of the base last. Flake goes in after a binder. Pours under 1 g keep their place.
func safeOrder(components []Component) ([]int, int) {
	base := wettingBase(components)
	rank := func(i int) int {
		c := components[i]
		switch {
		case i == base:
			return 5
		case c.WetFirst:
			return 0
		case c.Strength == formula.Strong && c.Role != formula.Flake:
			return 1
		case c.Role == formula.Binder:
			return 2
		case c.Role == formula.Flake:
			return 3
		}
		return 4
	}
	var movable []int
	tiny := make([]bool, len(components))
	for i, c := range components {
		tiny[i] = c.want() < strongFromMass && !c.WetFirst && i != base
		if !tiny[i] {
			movable = append(movable, i)
		}
	}
	slices.SortStableFunc(movable, func(a, b int) int {
		if d := rank(a) - rank(b); d != 0 {
			return d
		}
		return int(components[a].want() - components[b].want())
	})
	order := make([]int, len(components))
	for i := range order {
		if tiny[i] {
			order[i] = i
			continue
		}
		order[i], movable = movable[0], movable[1:]
	}
	return order, base
}

// wettingBase returns the largest weak component that is no flake; a binder where there is flake to go into it.
func wettingBase(components []Component) int {
	flake := slices.ContainsFunc(components, func(c Component) bool { return c.Role == formula.Flake })
	best, bestBinder := -1, -1
	for i, c := range components {
		if c.Role == formula.Flake || c.Role == formula.Pearl || c.Strength == formula.Strong || c.Strength == formula.Medium {
			continue
		}
		if best < 0 || c.want() > components[best].want() {
			best = i
		}
		if c.Role == formula.Binder && (bestBinder < 0 || c.want() > components[bestBinder].want()) {
			bestBinder = i
		}
	}
	if flake && bestBinder >= 0 {
		return bestBinder
	}
	return best
}

func tolerance(c Component, m, division gram.Mass) gram.Mass {
	return max(gram.Of(m.Grams()*c.Strength.Tolerance()), division)
}

func weigh(r Request, components []Component, steps []Step, total gram.Mass, density float64) (Weighing, error) {
	name := func(k Key) string {
		return components[slices.IndexFunc(components, func(c Component) bool { return c.Key == k })].Name
	}
	aims := make([]gram.Mass, len(steps))
	for i, s := range steps {
		if s.Aim <= 0 {
			return Weighing{}, problem("amount", "In so small a batch %s would weigh less than a milligram. Ask for more.", name(s.Key))
		}
		aims[i] = s.Aim
	}
	now := gram.Sum(aims) // without what is held back
	plan, err := gram.Plan(aims, now, r.Balance, r.CupEmpty)
	if err != nil {
		return Weighing{}, amountProblem(err)
	}
	w := Weighing{Rows: make([]WeighRow, len(steps)), Density: density}
	if density > 0 {
		w.Millilitres = total.Grams() / density
	}
	hardest := 0
	for i, p := range plan {
		row := WeighRow{
			Key: steps[i].Key, Name: name(steps[i].Key), Grams: p.Mass, Running: p.Running, Reading: p.Reading, Net: p.Net,
			Division: r.Balance.At(r.CupEmpty + p.Running), Percent: p.WeighingPercent, Why: steps[i].Why,
		}
		switch {
		case p.Mass < overrideDivisions*row.Division:
			row.Mark = MarkOverride
		case p.Mass < warnDivisions*row.Division:
			row.Mark = MarkWarn
		}
		w.Rows[i] = row
		if row.Percent > w.Rows[hardest].Percent {
			hardest = i
		}
	}
	tau := r.TolerancePercent / 100
	if tau == 0 {
		tau = defaultTolerancePercent / 100.
	}
	shares := make([]float64, len(steps))
	for i, m := range aims {
		shares[i] = float64(m) / float64(total)
	}
	smallest, limiting := gram.SmallestBatch(shares, r.Balance.Division, tau)
	w.Smallest, w.Limiting = smallest, steps[limiting].Key
	w.Ranges = gram.Weighable(aims, r.Balance, r.CupEmpty, tau)
	w.Weighable = slices.ContainsFunc(w.Ranges, func(x gram.Range) bool { return x.Has(now) })
	if now != total { // the ranges are of pours; what is held back belongs to the batch
		for i, x := range w.Ranges {
			w.Ranges[i] = gram.Range{From: scaled(x.From, total, now), To: scaled(x.To, total, now)}
		}
	}
	for _, c := range components {
		if d := r.Balance.At(r.CupEmpty + now); c.Held > 0 && c.Held < overrideDivisions*d {
			w.Notes = append(w.Notes, fmt.Sprintf("What is held back of %s, %s g, is too little for this scale to bring up.", c.Name, c.Held.Show(d/10)))
		}
	}
	w.fit(r, total)
	w.say(w.Rows[hardest])
	if w.Rows[hardest].Mark != MarkNone || !w.Weighable {
		w.WaysOut = waysOut(r, components, w, w.Rows[hardest], total, tau)
	}
	return w, nil
}

func scaled(m, by, of gram.Mass) gram.Mass {
	return gram.Of(m.Grams() * float64(by) / float64(of))
}

// fit says whether the batch fits this cup on this scale, and into how many cups it has to go where it does not.
func (w *Weighing) fit(r Request, total gram.Mass) {
	w.Fits, w.Cups, w.Each = true, 1, total
	room, limited := roomFor(r.Cup, r.CupEmpty, r.Balance, r.Reduction, w.Density)
	if !limited {
		return
	}
	w.Room = room
	if total <= room {
		return
	}
	w.Fits = false
	if room <= 0 {
		w.Cups, w.Each = 0, 0
		return
	}
	w.Cups = int((total + room - 1) / room)
	w.Each = gram.Of(total.Grams() / float64(w.Cups))
}

var numbers = []string{"no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"}

func number(n int) string {
	if n >= 0 && n < len(numbers) {
		return numbers[n]
	}
	return fmt.Sprint(n)
}

func (w *Weighing) say(hardest WeighRow) {
	d := hardest.Division
	switch {
	case !w.Fits && w.Cups == 0:
		w.Sentence = "The empty cup alone is more than this scale can carry. Use a lighter cup or a bigger scale."
	case !w.Fits:
		w.Sentence = fmt.Sprintf("This cup on this scale takes %s g of colour. Make %s cups of %s g, or use a bigger cup.", w.Room.Show(gram.Gram), number(w.Cups), w.Each.Show(gram.Gram))
	case hardest.Mark == MarkOverride || !w.Weighable:
		w.Sentence = fmt.Sprintf("%s g of %s is too little for this scale: one step of its display is %.0f %% of it.", hardest.Grams.Show(d/10), hardest.Name, hardest.Percent)
	case hardest.Mark == MarkWarn:
		w.Sentence = fmt.Sprintf("%s g of %s is hard to weigh here: one step of the display is %.0f %% of it.", hardest.Grams.Show(d/10), hardest.Name, hardest.Percent)
	default:
		w.Sentence = "This scale can weigh every pour."
	}
}

// displaySteps are the usual steps of displays, coarsest first.
var displaySteps = []gram.Mass{5000, 2000, 1000, 500, 200, 100, 50, 20, 10, 5, 2, 1}

// cutStrengths are the strengths at which cut toners are kept, strongest first. Common practice, no source.
var cutStrengths = []float64{0.5, 0.25, 0.2, 0.1, 0.05, 0.02, 0.01}

func waysOut(r Request, components []Component, w Weighing, hardest WeighRow, total gram.Mass, tau float64) []WayOut {
	var ways []WayOut
	more, ok := gram.NextWeighable(w.Ranges, total+1)
	switch {
	case ok && w.Weighable: // weighable already, only hard: the amount at which nothing is marked
		comfortable := ceilTo(gram.Of(total.Grams()*warnDivisions*hardest.Division.Grams()/hardest.Grams.Grams()), gram.Gram)
		more, ok = gram.NextWeighable(w.Ranges, comfortable)
	case !ok:
		ways = append(ways, WayOut{Way: WayMixMore, Sentence: "No amount that this scale can carry makes every pour weighable."})
	}
	if ok && more > total {
		way := WayOut{Way: WayMixMore, Amount: more, Possible: w.Room == 0 || more <= w.Room}
		way.Sentence = fmt.Sprintf("Mix %s g or more.", ceilTo(more, gram.Gram).Show(gram.Gram))
		if !way.Possible {
			way.Sentence = fmt.Sprintf("It would take %s g, more than this cup holds.", ceilTo(more, gram.Gram).Show(gram.Gram))
		}
		ways = append(ways, way)
	}
	target := tau
	if w.Weighable {
		target = 1. / warnDivisions
	}
	for _, d := range displaySteps {
		if d < hardest.Division && d.Grams() <= target*hardest.Grams.Grams() {
			ways = append(ways, WayOut{
				Way: WayFinerScale, Division: d, Possible: true,
				Sentence: fmt.Sprintf("Weigh %s on a scale that shows steps of %s g.", hardest.Name, d.Show(d)),
			})
			break
		}
	}
	if way, ok := cutWay(components, hardest, target); ok {
		ways = append(ways, way)
	}
	return ways
}

func ceilTo(m, step gram.Mass) gram.Mass { return (m + step - 1) / step * step }

// cutWay offers the strongest usual cut of the hardest toner that makes its pour weighable.
func cutWay(components []Component, hardest WeighRow, target float64) (WayOut, bool) {
	at := slices.IndexFunc(components, func(c Component) bool { return c.Key == hardest.Key })
	base := wettingBase(components)
	if base < 0 || base == at {
		return WayOut{}, false
	}
	c, b := components[at], components[base]
	for _, s := range cutStrengths {
		if hardest.Grams.Grams()/s*target < hardest.Division.Grams() {
			continue
		}
		grams, less, err := gram.CutToner(c.Goal, s, b.Goal)
		way := WayOut{Way: WayCutToner, Toner: c.Key, Base: b.Key, Strength: s, Grams: grams, Less: less, Possible: err == nil}
		d := hardest.Division
		if err != nil {
			way.Grams, way.Less = 0, 0
			way.Sentence = fmt.Sprintf("A cut of %s would have to be so weak (%.0f %%) that the formula has too little %s to make room for it.", c.Name, 100*s, b.Name)
		} else {
			way.Sentence = fmt.Sprintf("Use %s g of %s cut to %.0f %% in %s, and %s g less %s.", grams.Show(d), c.Name, 100*s, b.Name, less.Show(d), b.Name)
		}
		return way, true
	}
	return WayOut{}, false
}
