package calc

import (
	"errors"
	"fmt"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
)

func init() { calculators["correct"] = correct }

type correctComponent struct {
	Toner    string   `json:"toner"`
	Grams    float64  `json:"grams"`
	Density  *float64 `json:"density"`
	Strength *string  `json:"strength"`
}

type tonerGrams struct {
	Toner string  `json:"toner"`
	Grams float64 `json:"grams"`
}

type correctCup struct {
	Millilitres *float64 `json:"millilitres"`
	Grams       *float64 `json:"grams"`
	ScaleGrams  *float64 `json:"scale_grams"`
}

type correctPigment struct {
	Toner string    `json:"toner"`
	Start float64   `json:"start"`
	Step  float64   `json:"step"`
	K     []float64 `json:"k"`
	S     []float64 `json:"s"`
}

type correctIn struct {
	Components  []correctComponent `json:"components"`
	Grams       float64            `json:"grams"`
	Division    float64            `json:"division"`
	Poured      []tonerGrams       `json:"poured"`
	Stirred     *bool              `json:"stirred"`
	Last        *string            `json:"last"`
	Cup         *correctCup        `json:"cup"`
	Pigments    []correctPigment   `json:"pigments,omitempty"`
	K1          *float64           `json:"k1"`
	K2          *float64           `json:"k2"`
	Specular    *string            `json:"specular"`
	Illuminants []string           `json:"illuminants,omitempty"`
	Observer    *string            `json:"observer"`
	Limit       *float64           `json:"limit"`
}

type correctChoice struct {
	Choice         string       `json:"choice"`
	Add            []tonerGrams `json:"add"`
	Grams          float64      `json:"grams"`
	ExtraGrams     float64      `json:"extra_grams"`
	DiscardedGrams float64      `json:"discarded_grams"`
	Fits           bool         `json:"fits"`
	WorstPercent   float64      `json:"worst_percent"`
	ForeignPercent *float64     `json:"foreign_percent,omitempty"`
	DeltaE         *float64     `json:"delta_e,omitempty"`
}

type correctOut struct {
	Choices     []correctChoice `json:"choices"`
	Recommended string          `json:"recommended"`
}

// correct states the choices after an overshoot or a wrong toner, the recommended one first. A cup's millilitres or
// grams are what it takes, its fill line allowed for by whoever states them.
func correct(raw []byte) (any, error) {
	var in correctIn
	if err := decode(raw, &in); err != nil {
		return nil, err
	}
	var f fields
	d := pour.Stand{Balance: gram.Balance{Division: division(&f, "division", in.Division)}, Total: mass(&f, "grams", in.Grams, false)}
	poured := in.list(&f, &d)
	in.refuseColour(&f)
	if in.Stirred != nil {
		d.Stirred = *in.Stirred
	}
	if in.Last != nil {
		d.Last = pour.Key(*in.Last)
		if !poured[*in.Last] {
			f.add("last", "is not among what was poured; name one of those toners")
		}
	}
	shop := pour.Shop{AsIs: true}
	if in.Cup != nil {
		in.Cup.limit(&f, &d, &shop)
	}
	if err := f.problem(); err != nil {
		return nil, err
	}
	state, err := d.State()
	if err != nil {
		return nil, pourProblem(err)
	}
	options := pour.Choices(state, shop, nil)
	if len(options) == 0 {
		return nil, fieldProblem("components", errors.New("leave nothing to choose; enter the weights of the formula"))
	}
	out := correctOut{Choices: make([]correctChoice, len(options)), Recommended: string(options[0].Choice)}
	for i, o := range options {
		c := correctChoice{
			Choice: string(o.Choice), Add: []tonerGrams{}, Grams: o.Final.Grams(), ExtraGrams: o.Extra.Grams(),
			DiscardedGrams: o.Discard.Grams(), Fits: o.Fits, WorstPercent: o.Worst, ForeignPercent: known(o.Foreign), DeltaE: o.DeltaE,
		}
		for _, p := range o.Add {
			c.Add = append(c.Add, tonerGrams{p.Name, p.Mass.Grams()})
		}
		out.Choices[i] = c
	}
	return out, nil
}

// list reads the formula and what was poured, and returns which toners have been.
func (in correctIn) list(f *fields, d *pour.Stand) map[string]bool {
	count(f, "components", len(in.Components))
	names := map[string]int{}
	byName := map[string]pour.Component{}
	for i, c := range in.Components {
		at := fmt.Sprintf("components[%d].", i)
		named(f, at+"toner", c.Toner, names, i)
		k := pour.Component{Key: pour.Key(c.Toner), Name: c.Toner, Role: formula.Solid}
		k.Goal = mass(f, at+"grams", c.Grams, false)
		k.Density = density(f, at+"density", c.Density, in.Cup != nil && in.Cup.Millilitres != nil)
		if c.Strength != nil {
			k.Strength = formula.Strength(*c.Strength)
			if k.Strength != formula.Strong && k.Strength != formula.Medium && k.Strength != formula.Weak {
				f.add(at+"strength", "must be \"strong\", \"medium\" or \"weak\"")
			}
		}
		d.Components = append(d.Components, k)
		byName[c.Toner] = k
	}
	count(f, "poured", len(in.Poured))
	poured := map[string]bool{}
	seen := map[string]int{}
	for i, p := range in.Poured {
		at := fmt.Sprintf("poured[%d].", i)
		named(f, at+"toner", p.Toner, seen, i)
		k, ok := byName[p.Toner]
		if !ok {
			k = pour.Component{Key: pour.Key(p.Toner), Name: p.Toner, Role: formula.Solid}
		}
		m := mass(f, at+"grams", p.Grams, true)
		poured[p.Toner] = m > 0
		d.Poured = append(d.Poured, pour.Addition{Component: k, Mass: m})
	}
	return poured
}

// refuseColour says which colour data this calculator cannot use: choices are by weight.
func (in correctIn) refuseColour(f *fields) {
	const why = "is not used: this calculator chooses by weight alone; leave it out"
	for _, x := range []struct {
		field string
		given bool
	}{
		{"pigments", in.Pigments != nil},
		{"k1", in.K1 != nil},
		{"k2", in.K2 != nil},
		{"specular", in.Specular != nil},
		{"illuminants", in.Illuminants != nil},
		{"observer", in.Observer != nil},
	} {
		if x.given {
			f.add(x.field, why)
		}
	}
	if in.Limit != nil {
		above(f, "limit", *in.Limit)
	}
}

// limit reads what the cup takes and what the scale carries.
func (c correctCup) limit(f *fields, d *pour.Stand, shop *pour.Shop) {
	switch {
	case c.Millilitres != nil && c.Grams != nil:
		f.add("cup.grams", "goes not with millilitres; give one of them")
		return
	case c.Millilitres == nil && c.Grams == nil && c.ScaleGrams == nil:
		f.add("cup", "says nothing; give millilitres, grams or scale_grams, or leave it out")
		return
	}
	if c.ScaleGrams != nil {
		d.Balance.Max = mass(f, "cup.scale_grams", *c.ScaleGrams, false)
		shop.Room = d.Balance.Max
	}
	room := gram.Mass(0)
	switch {
	case c.Grams != nil:
		room = mass(f, "cup.grams", *c.Grams, false)
	case c.Millilitres != nil:
		above(f, "cup.millilitres", *c.Millilitres)
		weights, densities := make([]gram.Mass, len(d.Components)), make([]float64, len(d.Components))
		for i, k := range d.Components {
			weights[i], densities[i] = k.Goal, k.Density
		}
		mix, err := gram.Density(weights, densities)
		if f.problem() != nil || err != nil {
			return // said already, field by field
		}
		if room, err = (gram.Amount{Value: *c.Millilitres, Unit: gram.UnitMl}).Mass(mix); err != nil {
			f.add("cup.millilitres", "%s", plain(err))
		}
	}
	if room > 0 {
		if shop.Room == 0 || room < shop.Room {
			shop.Room = room
		}
		shop.Cups = []pour.Cup{{Name: "bigger cup"}} // there is always one; the scale limits it
	}
}

// pourProblem passes on what package pour found, with its field.
func pourProblem(err error) error {
	var p *pour.Problem
	if !errors.As(err, &p) {
		return err
	}
	var f fields
	f.add(p.Field, "%s", p.Detail)
	return f.problem()
}
