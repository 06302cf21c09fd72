package demo

import (
	"fmt"
	"math"

	"github.com/lucasb-eyer/go-colorful"

	"pourbook/internal/formula"
)

// blackest is the least that a toner's swatch reflects here: no paint is blacker, and K/S has no end at 0.
const blackest = 0.012

// swatchOf returns an impression of a mix, for drawing it: K/S of each toner's own swatch, channel by channel in
// linear sRGB, weighted by grams and by how much the toner hides (single-constant Kubelka-Munk). The weights are
// set by eye. It is no prediction of a colour; that needs measured drawdowns and is internal/pigment's work.
func swatchOf(lines []formula.Line) (string, error) {
	var absorbs [3]float64
	hides := 0.0
	for _, l := range lines {
		swatch, err := colorful.Hex(l.Toner.Swatch)
		if err != nil {
			return "", fmt.Errorf("swatch of %s: %w", l.Toner.Name, err)
		}
		h := hiding(l.Toner) * l.Mass.Grams()
		hides += h
		r, g, b := swatch.LinearRgb()
		for i, reflects := range [3]float64{r, g, b} {
			reflects = max(reflects, blackest)
			absorbs[i] += h * (1 - reflects) * (1 - reflects) / (2 * reflects)
		}
	}
	var mixed [3]float64
	for i, k := range absorbs {
		ratio := k / hides
		mixed[i] = 1 + ratio - math.Sqrt(ratio*ratio+2*ratio)
	}
	return colorful.LinearRgb(mixed[0], mixed[1], mixed[2]).Clamped().Hex(), nil
}

// hiding is how much a gram of a toner counts in swatchOf.
func hiding(t formula.Toner) float64 {
	switch {
	case t.Kind == formula.Pearl:
		return 0.25
	case t.Kind == formula.Flake:
		return 1
	case t.Kind != formula.Solid:
		return 0.004
	case t.Strength == formula.Strong:
		return 0.6
	case t.Strength == formula.Medium:
		return 0.4
	}
	return 1 // white
}
