package calc

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"pourbook/internal/gram"
)

type component struct {
	Toner   string   `json:"toner"`
	Grams   float64  `json:"grams"`
	Density *float64 `json:"density"`
}

type planAmount struct {
	Value     float64        `json:"value"`
	Unit      string         `json:"unit"`
	Of        *string        `json:"of"`
	Reduction *planReduction `json:"reduction"`
}

// planReduction is a reduction as in reduce. The paint's grams are what is asked for; its density may be stated where the
// toners' are not known.
type planReduction struct {
	Paint      *paintDensity `json:"paint"`
	PaintParts *float64      `json:"paint_parts"`
	Parts      []part        `json:"parts,omitempty"`
	By         string        `json:"by"`
	Percent    *float64      `json:"percent"`
	Of         *string       `json:"of"`
	Density    *float64      `json:"density"`
	Hardener   *weighing     `json:"hardener"`
}

type paintDensity struct {
	Density float64 `json:"density"`
}

type highRange struct {
	FromGrams float64 `json:"from_grams"`
	Division  float64 `json:"division"`
}

type planIn struct {
	Components       []component `json:"components"`
	Amount           planAmount  `json:"amount"`
	Division         float64     `json:"division"`
	TolerancePercent *float64    `json:"tolerance_percent"`
	HighRange        *highRange  `json:"high_range"`
	CupEmptyGrams    *float64    `json:"cup_empty_grams"`
}

type planStep struct {
	Toner           string  `json:"toner"`
	Grams           float64 `json:"grams"`
	Running         float64 `json:"running"`
	Reading         float64 `json:"reading"`
	Net             float64 `json:"net"`
	WeighingPercent float64 `json:"weighing_percent"`
}

type planSmallest struct {
	Grams float64 `json:"grams"`
	Toner string  `json:"toner"`
}

type planRange struct {
	FromGrams float64  `json:"from_grams"`
	ToGrams   *float64 `json:"to_grams,omitempty"`
}

type planOut struct {
	Grams       float64      `json:"grams"`
	Millilitres *float64     `json:"millilitres,omitempty"`
	Density     *float64     `json:"density,omitempty"`
	Steps       []planStep   `json:"steps"`
	Smallest    planSmallest `json:"smallest"`
	Weighable   bool         `json:"weighable"`
	Ranges      []planRange  `json:"weighable_ranges"`
}

// defaultTolerancePercent is how much of a pour one division of the scale may be: 20 %, five divisions.
// Common practice, no source.
const defaultTolerancePercent = 20

// plan scales a formula to an amount and says what the scale will read. For an amount ready to spray, grams and
// millilitres are those of the colour.
func plan(raw []byte) (any, error) {
	var in planIn
	if err := decode(raw, &in); err != nil {
		return nil, err
	}
	var f fields
	count(&f, "components", len(in.Components))
	weights, densities := make([]gram.Mass, len(in.Components)), make([]float64, len(in.Components))
	names := map[string]int{}
	for i, c := range in.Components {
		at := fmt.Sprintf("components[%d].", i)
		named(&f, at+"toner", c.Toner, names, i)
		weights[i] = mass(&f, at+"grams", c.Grams, false)
		densities[i] = density(&f, at+"density", c.Density, false)
	}
	balance := gram.Balance{Division: division(&f, "division", in.Division)}
	if h := in.HighRange; h != nil {
		balance.HighFrom = mass(&f, "high_range.from_grams", h.FromGrams, false)
		balance.HighDivision = division(&f, "high_range.division", h.Division)
		if balance.HighDivision < balance.Division {
			f.add("high_range.division", "is finer than division; the second range of a scale is the coarser")
		}
	}
	cup := gram.Mass(0)
	if in.CupEmptyGrams != nil {
		cup = mass(&f, "cup_empty_grams", *in.CupEmptyGrams, true)
	}
	tolerance := defaultTolerancePercent / 100.0
	if t := in.TolerancePercent; t != nil {
		if !(*t > 0) || *t > 100 {
			f.add("tolerance_percent", "must be above 0 and at most 100")
		}
		tolerance = *t / 100
	}
	amount := gram.Amount{Value: in.Amount.Value, Unit: gram.Unit(in.Amount.Unit)}
	if !amount.Unit.Known() {
		f.add("amount.unit", "must be one of %s", units())
	}
	above(&f, "amount.value", amount.Value)
	of := "colour"
	if in.Amount.Of != nil {
		of = *in.Amount.Of
	}
	var thin thinning
	switch r := in.Amount.Reduction; {
	case of != "colour" && of != "ready":
		f.add("amount.of", "must be \"colour\" or \"ready\"")
	case of == "ready" && r == nil:
		f.add("amount.reduction", "is missing; say how the colour is made ready to spray")
	case of == "colour" && r != nil:
		f.add("amount.reduction", "goes with of \"ready\" only; leave it out or ask for paint ready to spray")
	case of == "ready":
		var err error
		thin, err = reduction{r.PaintParts, r.Parts, r.By, r.Percent, r.Of, r.Density, r.Hardener}.checked("amount.reduction.")
		if err != nil {
			f = append(f, asProblem(err).Errors...)
		}
		if r.Paint != nil {
			above(&f, "amount.reduction.paint.density", r.Paint.Density)
		}
	}
	if err := f.problem(); err != nil {
		return nil, err
	}

	mix, mixErr := gram.Density(weights, densities)
	needed := amount.Unit.IsVolume() || of == "ready" && thin.byVolume
	paint := mix
	if of == "ready" && in.Amount.Reduction.Paint != nil {
		paint = in.Amount.Reduction.Paint.Density
	}
	if mixErr != nil {
		var missing *gram.DensityError
		switch {
		case !errors.As(mixErr, &missing):
			return nil, fieldProblem("components", mixErr)
		case needed && paint == 0:
			for i, d := range densities {
				if d == 0 {
					f.add(fmt.Sprintf("components[%d].density", i), "is missing; a volume cannot be weighed without it")
				}
			}
			return nil, f.problem()
		}
	}
	var total gram.Mass
	var err error
	switch {
	case of == "colour":
		if total, err = amount.Mass(mix); err != nil {
			return nil, fieldProblem("amount.value", err)
		}
	case thin.parts != nil:
		total, err = gram.ColourForReady(amount, paint, thin.paintParts, thin.parts, thin.byVolume)
	default:
		total, err = gram.ColourForReadyPercent(amount, paint, thin.percent)
	}
	if err != nil {
		var part *gram.PartError
		if errors.As(err, &part) {
			return nil, reductionProblem("amount.reduction.", "amount.reduction.paint.", err)
		}
		return nil, fieldProblem("amount.value", err)
	}

	steps, err := gram.Plan(weights, total, balance, cup)
	if err != nil {
		return nil, fieldProblem("components", err)
	}
	shares, err := gram.Fractions(weights)
	if err != nil {
		return nil, fieldProblem("components", err)
	}
	out := planOut{Grams: total.Grams(), Steps: make([]planStep, len(steps)), Ranges: []planRange{}}
	if mixErr == nil {
		ml, err := gram.Amount{Value: total.Grams(), Unit: gram.UnitGram}.Millilitres(mix)
		if err != nil {
			return nil, fieldProblem("components", err)
		}
		out.Millilitres, out.Density = &ml, &mix
	}
	for i, s := range steps {
		out.Steps[i] = planStep{
			in.Components[i].Toner, s.Mass.Grams(), s.Running.Grams(), s.Reading.Grams(), s.Net.Grams(), s.WeighingPercent,
		}
	}
	smallest, limiting := gram.SmallestBatch(shares, balance.Division, tolerance)
	out.Smallest = planSmallest{smallest.Grams(), in.Components[limiting].Toner}
	for _, r := range gram.Weighable(weights, balance, cup, tolerance) {
		out.Weighable = out.Weighable || r.Has(total)
		to := r.To.Grams()
		out.Ranges = append(out.Ranges, planRange{r.From.Grams(), known(to)})
	}
	return out, nil
}

func units() string {
	names := make([]string, len(gram.Units))
	for i, u := range gram.Units {
		names[i] = string(u)
	}
	return strings.Join(names, ", ")
}

// The checks of single fields that every calculator by weight shares.

// mass reads grams; zero says whether 0 may stand.
func mass(f *fields, field string, grams float64, zero bool) gram.Mass {
	m, err := gram.FromGrams(grams)
	switch {
	case err != nil:
		f.add(field, "is more than can be weighed; at most a tonne")
	case grams < 0 && zero:
		f.add(field, "must be 0 or more")
	case grams <= 0 && !zero:
		f.add(field, "must be above 0")
	case m == 0 && !zero:
		f.add(field, "must be at least 0.001, a milligram")
	}
	return m
}

// division reads a step of the scale's display: whole milligrams, up to a kilogram.
func division(f *fields, field string, grams float64) gram.Mass {
	m, err := gram.FromGrams(grams)
	switch {
	case err != nil || m > gram.Kilogram:
		f.add(field, "must be at most 1000 g")
	case grams <= 0:
		f.add(field, "must be above 0")
	case m == 0 || math.Abs(m.Grams()-grams) > 1e-9:
		f.add(field, "must be a whole number of milligrams, such as 0.1 or 0.05")
	}
	return m
}

// density reads g/ml where it is given; needed says that it must be.
func density(f *fields, field string, d *float64, needed bool) float64 {
	switch {
	case d == nil && needed:
		f.add(field, "is missing; a volume cannot be weighed without it")
	case d == nil:
	case !(*d > 0):
		f.add(field, "must be above 0")
	case *d > 30: // denser than any metal: grams per litre, or pounds per gallon, by mistake
		f.add(field, "must be in g/ml; %v is too dense for paint", *d)
	default:
		return *d
	}
	return 0
}

func above(f *fields, field string, v float64) {
	if !(v > 0) {
		f.add(field, "must be above 0")
	}
}

// count refuses an empty list and one that is too long.
func count(f *fields, field string, n int) {
	switch {
	case n == 0:
		f.add(field, "is empty; enter at least one")
	case n > maxComponents:
		f.add(field, "has %d entries; %d is the most", n, maxComponents)
	}
}

// named refuses an empty name and one that was there before.
func named(f *fields, field, name string, seen map[string]int, i int) {
	if strings.TrimSpace(name) == "" {
		f.add(field, "is empty; enter a name")
		return
	}
	if first, again := seen[name]; again {
		f.add(field, "%q stands already at number %d; give each once", name, first+1)
		return
	}
	seen[name] = i
}
