package page

import (
	"math"
	"strconv"
	"strings"
)

// Spectra is one or two curves of reflectance over wavelength, drawn in one frame, and how far they are apart.
type Spectra struct {
	Label  string // of the picture, for who hears it
	Top    float64
	Curves []SpectrumCurve
	Marks  []SpectrumMark // along the wavelengths
	Levels []SpectrumMark // up the reflectance
	Lamps  []LampRow
	Change []LampRow // index of metamerism from the first lamp to the others
	Note   string
	Rows   []SpectrumRow
}

// SpectrumCurve is one line. Points are in the frame, x and y from 0 to 1, y upwards.
type SpectrumCurve struct {
	Name   string
	Dashed bool
	Points []Point
}

// Point is a place in a drawing.
type Point struct{ X, Y float64 }

// SpectrumMark is a figure beside an axis, At from 0 to 1.
type SpectrumMark struct {
	At   float64
	Text string
}

// LampRow is a difference under one lamp and who would see it. Now is what it is before anything is done, where that is
// told beside it.
type LampRow struct{ Lamp, DeltaE, Word, Now string }

// SpectrumRow is one wavelength of the table.
type SpectrumRow struct {
	Wave   string
	Values []string
}

const (
	chartLeft, chartTop      = 44.0, 10.0
	chartWidth, chartHeight  = 436.0, 180.0
	chartBottom, chartAround = chartTop + chartHeight, "0 0 500 226"
)

// pt writes a place in a drawing to a tenth of its unit.
func pt(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }

func chartX(x float64) float64 { return chartLeft + x*chartWidth }
func chartY(y float64) float64 { return chartBottom - y*chartHeight }

func (c SpectrumCurve) path() string {
	var b strings.Builder
	for i, p := range c.Points {
		if i == 0 {
			b.WriteString("M")
		} else {
			b.WriteString(" L")
		}
		b.WriteString(pt(chartX(p.X)) + " " + pt(chartY(p.Y)))
	}
	return b.String()
}

func (c SpectrumCurve) dashes() string {
	if c.Dashed {
		return "7 6"
	}
	return "none"
}

// Plane is the plane of a* and b* about a target, with the bar of lightness beside it: where the card is, where a
// suggestion brings it, and where each toner would move it.
type Plane struct {
	Label         string
	Reach         float64 // a* and b* from the middle to the edge
	Card, After   Point   // in units of the reach, from the target; y is b*
	CardL, AfterL float64 // lightness from the target, in units of the reach
	Arrows        []PlaneArrow
	Legend        []PlaneRow
}

// PlaneArrow is where one toner would move the colour, from the card; L is its part in lightness.
type PlaneArrow struct {
	Name   string
	Letter string // that names it in the drawing
	By     Point
	L      float64
	Chosen bool // of this suggestion
}

// PlaneRow says an arrow in words.
type PlaneRow struct{ Letter, Name, Words string }

const (
	planeMiddle, planeReach = 120.0, 104.0
	barX, barWidth, barSide = 246.0, 104.0, 22.0 // card and prediction stand at the side, arrows in the rest
)

func planeX(x float64) float64 { return planeMiddle + min(max(x, -1.1), 1.1)*planeReach }
func planeY(y float64) float64 { return planeMiddle - min(max(y, -1.1), 1.1)*planeReach }

// tip returns the head of an arrow from one point to another as a path.
func tip(x1, y1, x2, y2 float64) string {
	dx, dy := x2-x1, y2-y1
	length := dx*dx + dy*dy
	if length < 16 {
		return ""
	}
	length = math.Sqrt(length)
	dx, dy = dx/length*7, dy/length*7
	return "M" + pt(x2) + " " + pt(y2) + " L" + pt(x2-dx-dy*0.55) + " " + pt(y2-dy+dx*0.55) + " L" + pt(x2-dx+dy*0.55) + " " + pt(y2-dy-dx*0.55) + " Z"
}

func (p Plane) arrowEnd(a PlaneArrow) Point { return Point{p.Card.X + a.By.X, p.Card.Y + a.By.Y} }

// barAt is where the arrow of one toner stands in the bar of lightness.
func (p Plane) barAt(i int) float64 {
	return barX + barSide + (float64(i)+0.5)*(barWidth-barSide)/float64(len(p.Arrows))
}

// barLetter stands beyond the tip of an arrow in the bar.
func (p Plane) barLetter(a PlaneArrow) float64 {
	if a.L < 0 {
		return planeY(p.CardL+a.L) + 16
	}
	return planeY(p.CardL+a.L) - 5
}

// letterAt stands beyond the tip of an arrow.
func (p Plane) letterAt(a PlaneArrow) (x, y string) {
	end := p.arrowEnd(a)
	dx, dy := a.By.X, a.By.Y
	if length := math.Sqrt(dx*dx + dy*dy); length > 1e-6 {
		dx, dy = dx/length, dy/length
	} else {
		dy = 1
	}
	return pt(planeX(end.X) + 11*dx), pt(planeY(end.Y) - 11*dy + 5)
}
