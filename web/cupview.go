package web

import (
	"fmt"
	"math"
	"strings"

	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/web/page"
)

// cupView draws a cup to scale: volume by volume, so that a band is as high as that much paint stands.
func cupView(s pour.State, live page.Live) page.Cup {
	brim := brimOf(s)
	var c page.Cup
	var words []string
	filled := 0.0
	for _, l := range s.Layers {
		ml := l.Mass.Grams() / densityOf(s, l)
		top, bottom := page.Level((filled+ml)/brim), page.Level(filled/brim)
		filled += ml
		band := page.Band{Y: top, Height: bottom - top, Fill: fillOf(s, l), Grams: show(s, l.Mass), Name: "mixed"}
		if !l.Mixed {
			band.Name = s.Component(l.Key).Name
		}
		words = append(words, band.Name+" "+band.Grams+" g")
		c.Bands = append(c.Bands, band)
	}
	if s.Plan.Cup.Brim > 0 {
		c.FillLine = page.Level(pour.FillPart)
	}
	c.Label = "The cup: empty"
	if len(words) > 0 {
		c.Label = "The cup, from the bottom: " + strings.Join(words, ", ")
	}
	step, ok := s.Open()
	if !ok {
		page.PlaceLabels(c.Bands, 0)
		return c
	}
	comp := s.Component(step.Key)
	density := comp.Density
	if density <= 0 {
		density = 1
	}
	target := page.Level((filled + step.Aim.Grams()/density) / brim)
	high := page.Level((filled + (step.Aim+step.Tolerance).Grams()/density) / brim)
	low := page.Level((filled + (step.Aim-step.Tolerance).Grams()/density) / brim)
	c.Open = &page.OpenBand{
		Fill: comp.Swatch, From: page.Level(filled / brim), Level: live.Level, Target: target, Thick: math.Max(4, math.Min(low-high, 40)), Grams: show(s, step.Aim),
		Magnified: magnifier(s, step, live),
	}
	if c.Open.Level == 0 {
		c.Open.Level = c.Open.From
	}
	c.Label += fmt.Sprintf(". Still to pour: %s g of %s", live.Left, comp.Name)
	page.PlaceLabels(c.Bands, target+8)
	return c
}

// levelOf returns where paint would stand at a gross reading.
func levelOf(s pour.State, gross gram.Mass) float64 {
	step, ok := s.Open()
	if !ok {
		return 0
	}
	brim := brimOf(s)
	filled := 0.0
	for _, l := range s.Layers {
		filled += l.Mass.Grams() / densityOf(s, l)
	}
	density := s.Component(step.Key).Density
	if density <= 0 {
		density = 1
	}
	return page.Level((filled + max(0, (gross-s.Last).Grams())/density) / brim)
}

// brimOf returns the millilitres of the drawn cup; where the cup is not known, one that the batch fills to two thirds.
func brimOf(s pour.State) float64 {
	if s.Cup.Brim > 0 {
		return s.Cup.Brim
	}
	return math.Max(s.Plan.Total.Grams()/0.66, 1)
}

// densityOf is for the drawing alone: where the shelf does not know a density, water's stands in.
func densityOf(s pour.State, l pour.Layer) float64 {
	if !l.Mixed {
		if d := s.Component(l.Key).Density; d > 0 {
			return d
		}
		return 1
	}
	if ml := volume(s); ml > 0 {
		return s.Contents().Grams() / ml
	}
	return 1
}

func fillOf(s pour.State, l pour.Layer) string {
	if !l.Mixed {
		return orGrey(s.Component(l.Key).Swatch)
	}
	return orGrey(mixedSwatch(s))
}

func orGrey(hex string) string {
	if hex == "" {
		return "#9a9a9a"
	}
	return hex
}

// mixedSwatch is an impression of the stirred cup: the formula's own swatch.
func mixedSwatch(s pour.State) string { return s.Plan.Swatch }

// magnifierSpan is how many grams the magnifier shows: the last stretch, a few tolerances and at least 40 divisions.
func magnifierSpan(s pour.State, step pour.Step) float64 {
	division := s.Plan.Balance.At(s.Stop())
	return math.Max(40*division.Grams(), 6*step.Tolerance.Grams())
}

func magnifier(s pour.State, step pour.Step, live page.Live) page.Magnifier {
	span := magnifierSpan(s, step)
	m := page.Magnifier{Target: page.MagnifierLevel(0, span), Level: live.Mag}
	tolerance := page.MagnifierLevel(-step.Tolerance.Grams(), span) - page.MagnifierLevel(step.Tolerance.Grams(), span)
	m.Thick = math.Max(5, math.Min(math.Abs(tolerance), 60))
	tick := tickOf(span)
	for g := -math.Floor(span*0.25/tick) * tick; g < span*0.75; g += tick {
		if y := page.MagnifierLevel(g, span); y > 12 && y < 308 { // clear of the rim
			m.Ticks = append(m.Ticks, y)
		}
	}
	return m
}

// tickOf returns a step of 1, 2 or 5 times a power of ten that parts a span into at most 20.
func tickOf(span float64) float64 {
	tick := math.Pow(10, math.Floor(math.Log10(span/20)))
	for _, times := range []float64{1, 2, 5, 10} {
		if span/(tick*times) <= 20 {
			return tick * times
		}
	}
	return tick * 10
}
