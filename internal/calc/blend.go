package calc

import (
	"errors"
	"fmt"

	paint "pourbook/internal/colour"
	"pourbook/internal/pigment"
)

// pigmentIn is the colour data of one toner.
type pigmentIn struct {
	Toner string    `json:"toner"`
	Start float64   `json:"start"`
	Step  float64   `json:"step"`
	K     []float64 `json:"k"`
	S     []float64 `json:"s"`
}

// share is one entry of a list of toners with grams.
type share struct {
	Toner string  `json:"toner"`
	Grams float64 `json:"grams"`
}

type blendIn struct {
	Pigments   []pigmentIn `json:"pigments"`
	Parts      []share     `json:"parts"`
	K1         float64     `json:"k1"`
	K2         float64     `json:"k2"`
	Specular   string      `json:"specular"`
	Illuminant string      `json:"illuminant"`
	Observer   string      `json:"observer"`
	Over       *spectrum   `json:"over"`
	Thickness  *float64    `json:"thickness"`
}

type blendOut struct {
	Spectrum spectrum `json:"spectrum"`
	colourOut
}

// blend predicts the colour of a mixture, opaque or as a film over a ground.
func blend(raw []byte) (any, error) {
	var in blendIn
	if err := decode(raw, &in); err != nil {
		return nil, err
	}
	var f fields
	toners := palette(&f, in.Pigments, in.K1, in.K2, in.Specular)
	light, observer := viewing(&f, "illuminant", in.Illuminant, in.Observer)
	grams := amounts(&f, "parts", in.Parts, in.Pigments)
	var coat pigment.Coat
	if in.Over != nil {
		coat.Ground = in.Over.read(&f, "over")
	}
	switch {
	case in.Thickness == nil && in.Over != nil:
		f.add("thickness", "is missing; say how thick the film over the ground is, or leave out over for an opaque film")
	case in.Thickness != nil && in.Over == nil:
		f.add("over", "is missing; give the ground under the film, or leave out thickness for an opaque film")
	case in.Thickness != nil:
		above(&f, "thickness", *in.Thickness)
		coat.Thickness = *in.Thickness
	}
	if err := f.problem(); err != nil {
		return nil, err
	}
	mix, err := toners.Predict(grams, coat)
	if err != nil {
		var ground *pigment.GroundError
		if errors.As(err, &ground) {
			return nil, fieldProblem("over", err)
		}
		return nil, fieldProblem("parts", err)
	}
	colour, err := seen(mix, light, observer)
	if err != nil {
		return nil, err
	}
	return blendOut{answer(mix), colour}, nil
}

// The checks that every calculator with pigments shares.

// palette checks the colour data of the toners and the surface of the paint. It returns nil where anything is wrong.
func palette(f *fields, pigments []pigmentIn, k1, k2 float64, specular string) *pigment.Palette {
	before := len(*f)
	count(f, "pigments", len(pigments))
	names := map[string]int{}
	data := make([]pigment.Pigment, len(pigments))
	for i, p := range pigments {
		at := fmt.Sprintf("pigments[%d]", i)
		named(f, at+".toner", p.Toner, names, i)
		data[i] = pigment.Pigment{Name: p.Toner, Grid: paint.Grid{Start: p.Start, Step: p.Step, Count: len(p.K)}, K: p.K, S: p.S}
		if p.Toner == "" {
			continue
		}
		if err := data[i].Valid(); err != nil {
			var row *pigment.DataError
			if errors.As(err, &row) {
				at = join(at, row.Field)
				if row.Index >= 0 {
					at = fmt.Sprintf("%s[%d]", at, row.Index)
				}
				f.add(at, "%s", err)
				continue
			}
			var grid *paint.InputError
			if errors.As(err, &grid) && grid.Field == "values" {
				at = join(at, "k")
			} else if grid != nil {
				at = join(at, grid.Field)
			}
			f.add(at, "%s", err)
		}
	}
	surface := surfaceOf(f, k1, k2, specular)
	if len(*f) > before {
		return nil
	}
	p, err := pigment.NewPalette(data, surface)
	if err != nil {
		f.add("pigments", "%s", err)
	}
	return p
}

// amounts puts a list of toners with grams into the order of the pigments.
func amounts(f *fields, field string, list []share, pigments []pigmentIn) []float64 {
	count(f, field, len(list))
	places := make(map[string]int, len(pigments))
	for i, p := range pigments {
		places[p.Toner] = i
	}
	names := map[string]int{}
	out := make([]float64, len(pigments))
	whole := 0.0
	for i, s := range list {
		at := fmt.Sprintf("%s[%d].", field, i)
		named(f, at+"toner", s.Toner, names, i)
		mass(f, at+"grams", s.Grams, true)
		place, there := places[s.Toner]
		if !there {
			f.add(at+"toner", "%q has no colour data among the pigments; add it there or leave it out", s.Toner)
			continue
		}
		out[place] = s.Grams
		whole += s.Grams
	}
	if len(list) > 0 && whole == 0 {
		f.add(field, "add up to nothing; give at least one toner grams above 0")
	}
	return out
}
