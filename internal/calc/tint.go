package calc

import (
	"errors"
	"fmt"

	"pourbook/internal/gram"
	"pourbook/internal/pigment"
)

type tintIn struct {
	Pigments    []pigmentIn `json:"pigments"`
	Cup         []share     `json:"cup"`
	Card        spectrum    `json:"card"`
	Target      spectrum    `json:"target"`
	K1          float64     `json:"k1"`
	K2          float64     `json:"k2"`
	Specular    string      `json:"specular"`
	Illuminants []string    `json:"illuminants"`
	Observer    string      `json:"observer"`
	Limit       float64     `json:"limit"`
	Division    float64     `json:"division"`
	Prefer      []string    `json:"prefer,omitempty"`
	MostToners  *int        `json:"most_toners"`
	RoomGrams   *float64    `json:"room_grams"`
}

type deltaOut struct {
	DeltaE float64 `json:"delta_e"`
}

type tintOut struct {
	Before deltaOut `json:"before"`
	Add    []share  `json:"add"`
	After  deltaOut `json:"after"`
	Grams  float64  `json:"grams"`
}

// usualToners is how many toners a tint may add where nothing is said.
const usualToners = 3

// tint advises what to add to a cup so that the next card matches.
func tint(raw []byte) (any, error) {
	var in tintIn
	if err := decode(raw, &in); err != nil {
		return nil, err
	}
	var f fields
	toners := palette(&f, in.Pigments, in.K1, in.K2, in.Specular)
	ask := pigment.TintAsk{
		Card: in.Card.read(&f, "card"), Target: in.Target.read(&f, "target"), Limit: in.Limit, MostToners: usualToners,
		Division: division(&f, "division", in.Division),
	}
	ask.Lights, ask.Observer = lightsOf(&f, in.Illuminants, in.Observer)
	above(&f, "limit", in.Limit)
	for _, g := range amounts(&f, "cup", in.Cup, in.Pigments) {
		ask.In = append(ask.In, gram.Of(g))
	}
	ask.Prefer = preferred(&f, in.Prefer, in.Pigments)
	if in.MostToners != nil {
		ask.MostToners = *in.MostToners
		if ask.MostToners < 0 || ask.MostToners > 6 {
			f.add("most_toners", "must be from 0 to 6")
		}
	}
	if in.RoomGrams != nil {
		ask.Room = mass(&f, "room_grams", *in.RoomGrams, false)
	}
	if err := f.problem(); err != nil {
		return nil, err
	}
	var cup gram.Mass
	for _, m := range ask.In {
		cup += m
	}
	if ask.Room > 0 && cup > ask.Room {
		return nil, fieldProblem("room_grams", fmt.Errorf("is less than the %s in the cup; give the room of the whole cup", cup))
	}
	got, err := toners.Tint(ask)
	if err != nil {
		return nil, spectrumProblem("cup", err)
	}
	out := tintOut{Before: deltaOut{got.Before}, Add: []share{}, After: deltaOut{got.After}, Grams: got.Total.Grams()}
	for i, m := range got.Change {
		if m != 0 {
			out.Add = append(out.Add, share{in.Pigments[i].Toner, m.Grams()})
		}
	}
	return out, nil
}

// preferred puts the names of toners in the order of the pigments.
func preferred(f *fields, list []string, pigments []pigmentIn) []bool {
	out := make([]bool, len(pigments))
	names := map[string]int{}
	for i, name := range list {
		at := fmt.Sprintf("prefer[%d]", i)
		named(f, at, name, names, i)
		known := false
		for j, p := range pigments {
			if p.Toner == name {
				out[j], known = true, true
			}
		}
		if !known {
			f.add(at, "%q has no colour data among the pigments; add it there or leave it out", name)
		}
	}
	return out
}

// spectrumProblem passes on what package pigment found, with the spectrum that it is about or else the field given.
func spectrumProblem(otherwise string, err error) error {
	var ground *pigment.GroundError
	if errors.As(err, &ground) {
		otherwise = ground.What
	}
	return fieldProblem(otherwise, err)
}
