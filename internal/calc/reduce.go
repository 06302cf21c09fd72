package calc

import (
	"errors"
	"fmt"

	"pourbook/internal/gram"
)

// reduction states how paint is thinned: by parts, or by per cent of something that is named.
type reduction struct {
	PaintParts *float64  `json:"paint_parts"`
	Parts      []part    `json:"parts,omitempty"`
	By         string    `json:"by"`
	Percent    *float64  `json:"percent"`
	Of         *string   `json:"of"`
	Density    *float64  `json:"density"`
	Hardener   *weighing `json:"hardener"`
}

type part struct {
	Name    string   `json:"name"`
	Parts   float64  `json:"parts"`
	Density *float64 `json:"density"`
}

type weighing struct {
	Grams   float64  `json:"grams"`
	Density *float64 `json:"density"`
}

type reduceIn struct {
	Paint      weighing  `json:"paint"`
	PaintParts *float64  `json:"paint_parts"`
	Parts      []part    `json:"parts,omitempty"`
	By         string    `json:"by"`
	Percent    *float64  `json:"percent"`
	Of         *string   `json:"of"`
	Density    *float64  `json:"density"`
	Hardener   *weighing `json:"hardener"`
}

type reduceStep struct {
	Name        string   `json:"name"`
	Grams       float64  `json:"grams"`
	Running     float64  `json:"running"`
	Millilitres *float64 `json:"millilitres,omitempty"`
}

type reduceOut struct {
	Steps       []reduceStep `json:"steps"`
	Grams       float64      `json:"grams"`
	Millilitres *float64     `json:"millilitres,omitempty"`
}

// thinning is a reduction after checking, in the numbers that package gram takes.
type thinning struct {
	byVolume   bool
	paintParts float64
	parts      []gram.Part  // by parts
	percent    gram.Percent // by per cent, where parts is nil
}

// checked returns the reduction for gram. Fields are named below prefix ("" or "amount.reduction.").
func (r reduction) checked(prefix string) (thinning, error) {
	var f fields
	var t thinning
	switch r.By {
	case "volume":
		t.byVolume = true
	case "weight":
	default:
		f.add(prefix+"by", "must be \"volume\" or \"weight\"")
	}
	byParts := r.PaintParts != nil || r.Parts != nil
	byPercent := r.Percent != nil || r.Of != nil || r.Density != nil || r.Hardener != nil
	switch {
	case byParts && byPercent:
		f.add(prefix+"percent", "give either paint_parts and parts, or percent, of and density, not both")
	case byParts:
		if r.PaintParts == nil {
			f.add(prefix+"paint_parts", "is missing; enter the paint's parts")
		} else {
			above(&f, prefix+"paint_parts", *r.PaintParts)
			t.paintParts = *r.PaintParts
		}
		count(&f, prefix+"parts", len(r.Parts))
		names := map[string]int{}
		for i, p := range r.Parts {
			at := fmt.Sprintf("%sparts[%d].", prefix, i)
			named(&f, at+"name", p.Name, names, i)
			above(&f, at+"parts", p.Parts)
			t.parts = append(t.parts, gram.Part{Name: p.Name, Parts: p.Parts, Density: density(&f, at+"density", p.Density, t.byVolume)})
		}
	case byPercent:
		if r.Percent == nil {
			f.add(prefix+"percent", "is missing; enter the per cent of reducer")
		} else {
			above(&f, prefix+"percent", *r.Percent)
			t.percent.Percent = *r.Percent
		}
		of := gram.PercentBase("")
		if r.Of != nil {
			of = gram.PercentBase(*r.Of)
		}
		switch of {
		case gram.OfPaint, gram.OfPaintAndHardener, gram.OfMix:
		default:
			f.add(prefix+"of", "must say what the per cent is of: \"paint\", \"paint_and_hardener\" or \"mix\"")
		}
		if of == gram.OfPaintAndHardener && r.Hardener == nil {
			f.add(prefix+"hardener", "is missing; enter its grams and density, or take the per cent of paint")
		}
		t.percent.Of, t.percent.ByVolume = of, t.byVolume
		t.percent.ReducerDensity = density(&f, prefix+"density", r.Density, t.byVolume)
		if h := r.Hardener; h != nil {
			t.percent.Hardener = mass(&f, prefix+"hardener.grams", h.Grams, true)
			t.percent.HardenerDensity = density(&f, prefix+"hardener.density", h.Density, t.byVolume)
		}
	default:
		f.add(prefix+"parts", "is missing; give paint_parts and parts, or percent, of and density")
	}
	return t, f.problem()
}

// steps weighs the reduction of so much paint.
func (t thinning) steps(paint gram.Mass, paintDensity float64) ([]gram.ReductionStep, error) {
	if t.parts != nil {
		return gram.ReduceByRatio(paint, paintDensity, t.paintParts, t.parts, t.byVolume)
	}
	p := t.percent
	return gram.ReduceByPercent(paint, paintDensity, p.Percent, p.Of, p.ReducerDensity, p.Hardener, p.HardenerDensity, t.byVolume)
}

// reduce weighs what makes paint ready to spray.
func reduce(raw []byte) (any, error) {
	var in reduceIn
	if err := decode(raw, &in); err != nil {
		return nil, err
	}
	t, err := reduction{in.PaintParts, in.Parts, in.By, in.Percent, in.Of, in.Density, in.Hardener}.checked("")
	var f fields
	if err != nil {
		f = asProblem(err).Errors
	}
	paint := mass(&f, "paint.grams", in.Paint.Grams, false)
	paintDensity := density(&f, "paint.density", in.Paint.Density, in.By == "volume")
	if err := f.problem(); err != nil {
		return nil, err
	}
	steps, err := t.steps(paint, paintDensity)
	if err != nil {
		return nil, reductionProblem("", "paint.", err)
	}
	out := reduceOut{Steps: make([]reduceStep, len(steps)), Grams: steps[len(steps)-1].Running.Grams()}
	volumes := []volume{{paint, paintDensity}}
	if t.parts == nil && t.percent.Hardener > 0 {
		volumes = append(volumes, volume{t.percent.Hardener, t.percent.HardenerDensity})
	}
	for i, s := range steps {
		out.Steps[i] = reduceStep{s.Name, s.Mass.Grams(), s.Running.Grams(), known(s.Millilitres)}
		d := t.percent.ReducerDensity
		if t.parts != nil {
			d = t.parts[i].Density
		}
		volumes = append(volumes, volume{s.Mass, d})
	}
	out.Millilitres = together(volumes)
	return out, nil
}

// volume is a mass with its density, 0 where that is not known.
type volume struct {
	mass    gram.Mass
	density float64
}

// together returns the millilitres of all, nil where a density is not known.
func together(all []volume) *float64 {
	weights, densities := make([]gram.Mass, len(all)), make([]float64, len(all))
	var total gram.Mass
	for i, v := range all {
		weights[i], densities[i] = v.mass, v.density
		total += v.mass
	}
	d, err := gram.Density(weights, densities)
	if err != nil {
		return nil
	}
	ml, err := gram.Amount{Value: total.Grams(), Unit: gram.UnitGram}.Millilitres(d)
	if err != nil {
		return nil
	}
	return &ml
}

// known returns v for an answer, nil where it is not known (0).
func known(v float64) *float64 {
	if v == 0 {
		return nil
	}
	return &v
}

// reductionProblem names the field that package gram found fault with. Paint's own fields are below paint.
func reductionProblem(prefix, paint string, err error) error {
	var p *gram.PartError
	if !errors.As(err, &p) {
		return err
	}
	field := prefix + p.Field
	switch {
	case p.Index < 0 && p.Field == "parts":
		field = prefix + "paint_parts"
	case p.Index < 0:
		field = paint + p.Field
	case p.Name == "hardener" && p.Field == "grams":
		field = prefix + "hardener.grams"
	case p.Field == "parts":
		field = fmt.Sprintf("%sparts[%d].parts", prefix, p.Index)
	}
	var f fields
	f.add(field, "%s", p.Reason)
	return f.problem()
}
