package calc

import (
	"errors"
	"fmt"
	"maps"
	"slices"

	"pourbook/internal/gram"
	"pourbook/internal/pigment"
)

type matchIn struct {
	Pigments    []pigmentIn        `json:"pigments"`
	Target      spectrum           `json:"target"`
	K1          float64            `json:"k1"`
	K2          float64            `json:"k2"`
	Specular    string             `json:"specular"`
	Illuminants []string           `json:"illuminants"`
	Observer    string             `json:"observer"`
	MostToners  int                `json:"most_toners"`
	Division    *float64           `json:"division"`
	Grams       *float64           `json:"grams"`
	Price       map[string]float64 `json:"price,omitempty"`
	Best        *int               `json:"best"`
}

type formulaOut struct {
	Parts  []share   `json:"parts"`
	DeltaE []float64 `json:"delta_e"`
}

type matchOut struct {
	Formulas []formulaOut `json:"formulas"`
}

// What is taken where nothing is said, and how much is asked for at most: so many sets of toners take some seconds.
const (
	usualMatch  = 100 * gram.Gram
	usualBest   = 5
	mostBest    = 100
	mostMatched = 150_000
)

// match finds formulas for a measured colour.
func match(raw []byte) (any, error) {
	var in matchIn
	if err := decode(raw, &in); err != nil {
		return nil, err
	}
	var f fields
	toners := palette(&f, in.Pigments, in.K1, in.K2, in.Specular)
	total := 0
	ask := pigment.MatchAsk{
		Target: in.Target.read(&f, "target"), MostToners: in.MostToners, Amount: usualMatch, Division: gram.Milligram, Best: usualBest,
		Progress: func(_, sets int) { total = sets },
		Stop:     func() bool { return total > mostMatched },
	}
	ask.Lights, ask.Observer = lightsOf(&f, in.Illuminants, in.Observer)
	if in.MostToners < 1 || in.MostToners > 6 {
		f.add("most_toners", "must be from 1 to 6")
	}
	if in.Division != nil {
		ask.Division = division(&f, "division", *in.Division)
	}
	if in.Grams != nil {
		ask.Amount = mass(&f, "grams", *in.Grams, false)
	}
	if ask.Division > ask.Amount && ask.Amount > 0 {
		f.add("division", "must be no more than the grams of the formula")
	}
	if in.Best != nil {
		ask.Best = *in.Best
		if ask.Best < 1 || ask.Best > mostBest {
			f.add("best", "must be from 1 to %d", mostBest)
		}
	}
	ask.Price = prices(&f, in.Price, in.Pigments)
	if err := f.problem(); err != nil {
		return nil, err
	}
	found, err := toners.Match(ask)
	if errors.Is(err, pigment.ErrStopped) {
		return nil, fieldProblem("most_toners", fmt.Errorf("makes %d sets of toners to try; leave out toners or ask for fewer, to stay within %d", total, mostMatched))
	}
	if err != nil {
		return nil, spectrumProblem("pigments", err)
	}
	out := matchOut{Formulas: []formulaOut{}}
	for _, m := range found {
		one := formulaOut{Parts: []share{}, DeltaE: m.DeltaE}
		for i, p := range m.Parts {
			if p > 0 {
				one.Parts = append(one.Parts, share{in.Pigments[i].Toner, p.Grams()})
			}
		}
		out.Formulas = append(out.Formulas, one)
	}
	return out, nil
}

// prices puts the prices in the order of the pigments. Nil where none is given; where some are, all must be.
func prices(f *fields, given map[string]float64, pigments []pigmentIn) []float64 {
	if len(given) == 0 {
		return nil
	}
	out := make([]float64, len(pigments))
	left := maps.Clone(given)
	for i, p := range pigments {
		price, there := given[p.Toner]
		if !there {
			f.add("price", "has none for %q; give one for each toner, or none at all", p.Toner)
			continue
		}
		if price < 0 {
			f.add(join("price", p.Toner), "must be 0 or more")
		}
		out[i] = price
		delete(left, p.Toner)
	}
	for _, name := range slices.Sorted(maps.Keys(left)) {
		f.add(join("price", name), "is the price of a toner that is not among the pigments; add it there or leave it out")
	}
	return out
}
