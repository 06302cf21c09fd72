package gram

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Part is one thing that goes into the paint on the way to the gun: hardener, reducer, additive.
type Part struct {
	Name    string
	Parts   float64 // in the same parts as the paint's
	Density float64 // g/ml; 0 where it is not known, which only a ratio by weight can do without
}

// ReductionStep is one pour of a reduction; the paint itself is not a step.
type ReductionStep struct {
	Name        string
	Mass        Mass
	Running     Mass    // the paint and everything so far
	Millilitres float64 // 0 where the density is not known
}

// PartError says which part of a reduction cannot be used, and why. Index -1 is the paint.
type PartError struct {
	Index  int
	Name   string
	Field  string // parts, density, grams or percent
	Reason string
}

func (e *PartError) Error() string {
	return fmt.Sprintf("gram: %s: %s", e.Name, e.Reason)
}

// ReduceByRatio weighs a reduction by parts: m_j = V_paint · r_j/r_paint · ρ_j by volume, m_paint · r_j/r_paint by weight.
// By volume every density (g/ml) must be known; by weight none need be, and a part without one has no millilitres.
// Volumes are taken as additive. Lines are differences of rounded running totals.
func ReduceByRatio(paint Mass, paintDensity, paintParts float64, parts []Part, byVolume bool) ([]ReductionStep, error) {
	if err := checkPaint(paint); err != nil {
		return nil, err
	}
	perPaint, err := perPaint(paintDensity, paintParts, parts, byVolume)
	if err != nil {
		return nil, err
	}
	steps := make([]ReductionStep, len(parts))
	exact, last := float64(paint), paint
	for j, p := range parts {
		mg := float64(paint) * perPaint[j]
		exact += mg
		if exact > float64(MaxMass) {
			return nil, &PartError{j, p.Name, "parts", "the mix would weigh more than a tonne; check the parts"}
		}
		running := nearest(exact)
		steps[j] = ReductionStep{p.Name, running - last, running, millilitres(mg, p.Density)}
		last = running
	}
	return steps, nil
}

func millilitres(mg, density float64) float64 {
	if density <= 0 {
		return 0
	}
	return mg / float64(Gram) / density
}

// perPaint returns the grams of each part to one gram of paint.
func perPaint(paintDensity, paintParts float64, parts []Part, byVolume bool) ([]float64, error) {
	if len(parts) == 0 {
		return nil, fmt.Errorf("gram: the ratio has nothing but paint; enter what goes in beside it")
	}
	if !(paintParts > 0) || math.IsInf(paintParts, 0) {
		return nil, &PartError{-1, "paint", "parts", "its parts must be above 0"}
	}
	if err := partDensity(-1, "paint", paintDensity, byVolume); err != nil {
		return nil, err
	}
	out := make([]float64, len(parts))
	for j, p := range parts {
		if !(p.Parts > 0) || math.IsInf(p.Parts, 0) {
			return nil, &PartError{j, p.Name, "parts", "its parts must be above 0; leave out what does not go in"}
		}
		if err := partDensity(j, p.Name, p.Density, byVolume); err != nil {
			return nil, err
		}
		out[j] = p.Parts / paintParts
		if byVolume {
			out[j] *= p.Density / paintDensity
		}
	}
	return out, nil
}

// partDensity refuses an impossible density always, and a missing one where it is needed.
func partDensity(index int, name string, density float64, needed bool) error {
	if density == 0 && !needed {
		return nil
	}
	if err := checkDensity(density); err != nil {
		return &PartError{index, name, "density", err.Error()}
	}
	return nil
}

func checkPaint(paint Mass) error {
	if paint <= 0 || paint > MaxMass {
		return &PartError{-1, "paint", "grams", fmt.Sprintf("there must be more than 0 g and at most a tonne of it, not %v", paint)}
	}
	return nil
}

// PercentBase names what a per cent of reducer is of. It is never left open: the same figure taken of another base
// gives another mix.
type PercentBase string

// The bases of a per cent. "Reduce 25 %" of paint means 1 part of reducer to 4 of paint, so it is a fifth of that mix.
const (
	OfPaint            PercentBase = "paint"
	OfPaintAndHardener PercentBase = "paint_and_hardener"
	OfMix              PercentBase = "mix" // the whole, the reducer itself included
)

// Percent is a reduction stated in per cent, with the hardener that is in the cup or will be.
type Percent struct {
	Percent         float64
	Of              PercentBase
	ReducerDensity  float64 // g/ml
	Hardener        Mass    // 0: none
	HardenerDensity float64 // g/ml
	ByVolume        bool
}

// perBase returns how much reducer goes to one of the base without reducer, and whether the hardener is in the base.
func (p Percent) perBase() (share float64, withHardener bool, err error) {
	if !(p.Percent > 0) || math.IsInf(p.Percent, 0) {
		return 0, false, &PartError{0, "reducer", "percent", "the per cent must be above 0"}
	}
	share = p.Percent / 100
	switch p.Of {
	case OfPaint:
	case OfPaintAndHardener:
		withHardener = true
	case OfMix:
		if share >= 1 {
			return 0, false, &PartError{0, "reducer", "percent", "the reducer cannot be 100 % of the mix or more; did you mean per cent of the paint?"}
		}
		share, withHardener = share/(1-share), true
	default:
		return 0, false, &PartError{0, "reducer", "of", fmt.Sprintf("%q is nothing to take a per cent of; use paint, paint_and_hardener or mix", string(p.Of))}
	}
	return share, withHardener, nil
}

// check refuses densities that are missing where they are needed, and returns perBase.
func (p Percent) check(paintDensity float64) (share float64, withHardener bool, err error) {
	share, withHardener, err = p.perBase()
	if err != nil {
		return 0, false, err
	}
	if p.Hardener < 0 || p.Hardener > MaxMass {
		return 0, false, &PartError{1, "hardener", "grams", fmt.Sprintf("it cannot weigh %v", p.Hardener)}
	}
	if err := partDensity(-1, "paint", paintDensity, p.ByVolume); err != nil {
		return 0, false, err
	}
	if err := partDensity(0, "reducer", p.ReducerDensity, p.ByVolume); err != nil {
		return 0, false, err
	}
	needed := p.ByVolume && withHardener && p.Hardener > 0
	return share, withHardener, partDensity(1, "hardener", p.HardenerDensity, needed)
}

// ReduceByPercent weighs a reduction stated in per cent of a named base: the paint, paint and hardener, or the mix.
// By volume the densities (g/ml) of all that is in the base and of the reducer must be known, by weight none need be.
// It returns one step, the reducer; its Running counts paint and hardener.
func ReduceByPercent(paint Mass, paintDensity, percent float64, of PercentBase, reducerDensity float64, hardener Mass, hardenerDensity float64, byVolume bool) ([]ReductionStep, error) {
	if err := checkPaint(paint); err != nil {
		return nil, err
	}
	p := Percent{percent, of, reducerDensity, hardener, hardenerDensity, byVolume}
	share, withHardener, err := p.check(paintDensity)
	if err != nil {
		return nil, err
	}
	mg := p.reducer(float64(paint), paintDensity, share, withHardener)
	if mg+float64(paint)+float64(hardener) > float64(MaxMass) {
		return nil, &PartError{0, "reducer", "percent", "the mix would weigh more than a tonne; check the per cent"}
	}
	m := nearest(mg)
	return []ReductionStep{{"reducer", m, paint + hardener + m, millilitres(mg, reducerDensity)}}, nil
}

// reducer returns the milligrams of reducer to so many milligrams of paint.
func (p Percent) reducer(paint, paintDensity, share float64, withHardener bool) float64 {
	hardener := 0.0
	if withHardener {
		hardener = float64(p.Hardener)
	}
	if !p.ByVolume {
		return share * (paint + hardener)
	}
	volume := paint / paintDensity
	if hardener > 0 {
		volume += hardener / p.HardenerDensity
	}
	return share * volume * p.ReducerDensity
}

// ColourForReady returns how much colour gives an amount ready to spray, through a reduction by parts.
// An amount by volume needs every density, and so does a ratio by volume; volumes are taken as additive.
func ColourForReady(ready Amount, paintDensity, paintParts float64, parts []Part, byVolume bool) (paint Mass, err error) {
	needed := byVolume || ready.Unit.IsVolume()
	if err := partDensity(-1, "paint", paintDensity, needed); err != nil {
		return 0, err
	}
	for j, p := range parts {
		if err := partDensity(j, p.Name, p.Density, needed); err != nil {
			return 0, err
		}
	}
	per, err := perPaint(paintDensity, paintParts, parts, byVolume)
	if err != nil {
		return 0, err
	}
	// grams and millilitres of the whole to one gram of paint
	grams, volume := 1.0, 0.0
	if needed {
		volume = 1 / paintDensity
	}
	for j, p := range parts {
		grams += per[j]
		if needed {
			volume += per[j] / p.Density
		}
	}
	return ready.per(grams, volume, 0, 0)
}

// per returns the paint in an amount of which one gram of paint makes so many grams and millilitres, once what does not
// depend on the paint (fixed grams and millilitres) is taken off.
func (a Amount) per(grams, volume, fixedGrams, fixedVolume float64) (Mass, error) {
	if err := a.check(); err != nil {
		return 0, err
	}
	paint := (a.Value*a.Unit.Grams() - fixedGrams) / grams
	if a.Unit.IsVolume() {
		paint = (a.Value*a.Unit.Millilitres() - fixedVolume) / volume
	}
	if paint > MaxMass.Grams() {
		return 0, fmt.Errorf("gram: %s is more than a tonne; ask for less", a)
	}
	m := Of(max(paint, 0))
	if m == 0 {
		return 0, fmt.Errorf("gram: %s leaves no room for paint; ask for more", a)
	}
	return m, nil
}

// ColourForReadyPercent is ColourForReady for a reduction stated in per cent, with the grams of hardener given.
func ColourForReadyPercent(ready Amount, paintDensity float64, p Percent) (paint Mass, err error) {
	share, withHardener, err := p.check(paintDensity)
	if err != nil {
		return 0, err
	}
	if ready.Unit.IsVolume() {
		all := p
		all.ByVolume = true
		if _, _, err := all.check(paintDensity); err != nil {
			return 0, err
		}
		if p.Hardener > 0 {
			if err := partDensity(1, "hardener", p.HardenerDensity, true); err != nil {
				return 0, err
			}
		}
	}
	// The reducer is a straight line in the paint: what no paint would take, and what each gram more takes.
	none := p.reducer(0, paintDensity, share, withHardener) / float64(Gram)
	each := p.reducer(float64(Gram), paintDensity, share, withHardener)/float64(Gram) - none
	fixedGrams := p.Hardener.Grams() + none
	grams, volume, fixedVolume := 1+each, 0.0, 0.0
	if ready.Unit.IsVolume() {
		volume = 1/paintDensity + each/p.ReducerDensity
		fixedVolume = none / p.ReducerDensity
		if p.Hardener > 0 {
			fixedVolume += p.Hardener.Grams() / p.HardenerDensity
		}
	}
	return ready.per(grams, volume, fixedGrams, fixedVolume)
}

// ReadyShares returns the share by weight of the paint (first) and of every part in a mix ready to spray.
func ReadyShares(paintDensity, paintParts float64, parts []Part, byVolume bool) ([]float64, error) {
	per, err := perPaint(paintDensity, paintParts, parts, byVolume)
	if err != nil {
		return nil, err
	}
	whole := 1.0
	for _, g := range per {
		whole += g
	}
	out := make([]float64, 1+len(per))
	out[0] = 1 / whole
	for j, g := range per {
		out[1+j] = g / whole
	}
	return out, nil
}

// OverReduced rights a cup that got too much reducer or hardener. It is Exact with the colour as a component: wanted are
// the shares by weight (ReadyShares), poured what is in the cup, colour the index of the paint and left how much of it
// there is. Where the colour does not suffice, enough is false and add is the best that can be done: all the colour that is
// left, the others brought up to what goes with it, what is too much staying too much.
func OverReduced(wanted []float64, poured []Mass, colour int, left Mass) (newTotal Mass, add []Mass, enough bool, err error) {
	if colour < 0 || colour >= len(wanted) || left < 0 || left > MaxMass {
		return 0, nil, false, fmt.Errorf("gram: there is no colour to add; say which component it is and how much is left")
	}
	in, err := checkCup(wanted, poured)
	if err != nil {
		return 0, nil, false, err
	}
	newTotal, add, _, err = ExactChecked(wanted, poured, in)
	if err != nil {
		return 0, nil, false, err
	}
	if add[colour] <= left {
		return newTotal, add, true, nil
	}
	if wanted[colour] == 0 {
		return 0, nil, false, &ForeignError{colour, poured[colour]}
	}
	whole := float64(poured[colour]+left) / wanted[colour]
	newTotal = in
	for i, w := range wanted {
		add[i] = max(0, nearest(w*whole)-poured[i])
		if i == colour {
			add[i] = left
		}
		newTotal += add[i]
	}
	return newTotal, add, false, nil
}

// ParseRatio reads a ratio as it stands on a data sheet: "4:1:1", "100:50:10", "2:1 + 10 %", "2:1:10 %", or "25 %" alone.
// It returns the parts, the paint's first (none for a per cent alone), and the per cent, 0 where there is none.
// What the per cent is of stands nowhere in such a text: the caller has to ask. A decimal comma is read as a point.
func ParseRatio(s string) (parts []float64, percent float64, err error) {
	text := strings.NewReplacer(" ", "", "\u00a0", "", "\u202f", "", ",", ".").Replace(s)
	if text == "" {
		return nil, 0, fmt.Errorf("gram: the ratio is empty; write it like 4:1:1 or 2:1 + 10 %%")
	}
	if body, found := strings.CutSuffix(text, "%"); found {
		cut := strings.LastIndexAny(body, "+:")
		if percent, err = ratioFigure(s, body[cut+1:]); err != nil {
			return nil, 0, err
		}
		if cut < 0 {
			return nil, percent, nil
		}
		text = body[:cut]
	}
	for figure := range strings.SplitSeq(text, ":") {
		v, err := ratioFigure(s, figure)
		if err != nil {
			return nil, 0, err
		}
		parts = append(parts, v)
	}
	if len(parts) < 2 && percent == 0 {
		return nil, 0, fmt.Errorf("gram: %q is one figure and no ratio; write it like 4:1:1 or 25 %%", s)
	}
	return parts, percent, nil
}

func ratioFigure(whole, figure string) (float64, error) {
	for _, c := range figure {
		if (c < '0' || c > '9') && c != '.' {
			if c == '-' || c == '\u2013' {
				return 0, fmt.Errorf("gram: %q leaves a choice; settle on one figure, such as 10 %%", whole)
			}
			return 0, fmt.Errorf("gram: %q cannot be read as a ratio; write it like 4:1:1 or 2:1 + 10 %%", whole)
		}
	}
	v, err := strconv.ParseFloat(figure, 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, fmt.Errorf("gram: %q cannot be read as a ratio; write it like 4:1:1 or 2:1 + 10 %%", whole)
	}
	if v == 0 {
		return 0, fmt.Errorf("gram: %q has a part of 0; leave out what does not go in", whole)
	}
	return v, nil
}
