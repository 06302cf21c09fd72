package page

import (
	"math"
	"strconv"
)

// The cup is drawn on a sheet of 440 by 640 units: a frustum whose bottom is narrower than its brim, so that equal
// volumes are lower bands further up, as in a real cup.
const (
	cupTop    = 44.0
	cupBottom = 612.0
	cupLeft   = 96.0
	cupRight  = 424.0
	cupTaper  = 0.82 // bottom width over brim width
)

// Cup is the drawing of one cup, from values already worked out.
type Cup struct {
	Bands    []Band
	Open     *OpenBand
	FillLine float64 // where the cup is full for good, 0: not drawn
	Label    string  // the drawing in words
	Shaky    string  // "lifted", "lost" or empty
}

// Band is paint that is in and booked.
type Band struct {
	Y, Height float64
	Fill      string // "#rrggbb"
	Grams     string
	Name      string
	LabelY    float64 // 0: no room for a label
}

// OpenBand is the pour under way: outlined, its target line as thick as its tolerance.
type OpenBand struct {
	Fill      string
	From      float64 // where the booked paint ends
	Level     float64 // where the reading stands
	Target    float64
	Thick     float64
	Grams     string
	Magnified Magnifier
}

// Magnifier shows the last grams before the target, enlarged.
type Magnifier struct {
	Ticks  []float64
	Target float64
	Thick  float64
	Level  float64
	Fill   string
}

// Level returns how high paint stands that fills part of the cup's brim volume (0 to 1), in units of the drawing.
// The volume of a frustum of bottom radius a and top radius 1 up to height h is proportional to r(h)³ − a³.
func Level(part float64) float64 {
	part = math.Min(math.Max(part, 0), 1)
	a := cupTaper
	r := math.Cbrt(a*a*a + part*(1-a*a*a))
	return cupBottom - (cupBottom-cupTop)*(r-a)/(1-a)
}

// The magnifier's own sheet: 64 by 320 units, its target a quarter from the top.
const (
	magTop    = 4.0
	magBottom = 316.0
	magTarget = magTop + (magBottom-magTop)*0.25
)

// MagnifierLevel returns where left grams before the target stand, when span grams fill the magnifier.
func MagnifierLevel(left, span float64) float64 {
	y := magTarget + left/span*(magBottom-magTop)
	return math.Min(math.Max(y, magTop), magBottom)
}

// PlaceLabels gives every band of paint a label where there is room, from the bottom up, and none where two would
// touch. taken is the baseline of a label that stands already, 0 for none.
func PlaceLabels(bands []Band, taken float64) {
	const apart = 26
	last := math.Inf(1)
	for i := range bands {
		y := bands[i].Y + bands[i].Height/2 + 7
		if y > last-apart {
			y = last - apart
		}
		if y < bands[i].Y-8 || y > bands[i].Y+bands[i].Height+18 {
			continue
		}
		if taken > 0 && math.Abs(y-taken) < apart {
			continue
		}
		bands[i].LabelY = y
		last = y
	}
}

func f(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }

func (c Cup) openFill() string {
	if c.Open == nil || c.Open.Fill == "" {
		return "#9a9a9a"
	}
	return c.Open.Fill
}

// cupInside is the space for paint, cupOutline the wall with its two lips.
func cupInside() string {
	inset := (cupRight - cupLeft) * (1 - cupTaper) / 2
	return "M" + f(cupLeft) + " " + f(cupTop) + " L" + f(cupLeft+inset) + " " + f(cupBottom) + " H" + f(cupRight-inset) + " L" + f(cupRight) + " " + f(cupTop) + " Z"
}

func cupOutline() string {
	inset := (cupRight - cupLeft) * (1 - cupTaper) / 2
	return "M" + f(cupLeft-9) + " " + f(cupTop-14) + " L" + f(cupLeft) + " " + f(cupTop) +
		" L" + f(cupLeft+inset-1) + " " + f(cupBottom-8) + " Q" + f(cupLeft+inset) + " " + f(cupBottom+4) + " " + f(cupLeft+inset+12) + " " + f(cupBottom+4) +
		" H" + f(cupRight-inset-12) + " Q" + f(cupRight-inset) + " " + f(cupBottom+4) + " " + f(cupRight-inset+1) + " " + f(cupBottom-8) +
		" L" + f(cupRight) + " " + f(cupTop) + " L" + f(cupRight+9) + " " + f(cupTop-14)
}
