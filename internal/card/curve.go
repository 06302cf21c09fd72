package card

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"

	"pourbook/internal/colour"
	"pourbook/internal/formula"
)

// Curve is a reflectance spectrum as an instrument gave it: one value every Step nanometres from Start, 1 for the
// perfect diffuser. Geometry is how the instrument looked, "45/0" or "d/8" with the gloss left out.
type Curve struct {
	Geometry string    `json:"geometry"`
	Start    float64   `json:"start"`
	Step     float64   `json:"step"`
	Values   []float64 `json:"values"`
}

// CurveGeometries lists how a curve may have been read. Flake and pearl have no one spectrum.
var CurveGeometries = []string{"45/0", "d/8"}

// MostCurve is how many characters a pasted spectrum may have: a reading every nanometre with room to spare.
const MostCurve = 20_000

// Spectrum returns the curve for computing with. A curve that no paint can have is an error, one plain sentence.
func (c Curve) Spectrum() (colour.Spectrum, error) {
	return colour.NewSpectrum(c.Start, c.Step, c.Values)
}

// Main returns what the curve is in figures: CIELAB under D65 for 10 degrees.
func (c Curve) Main() (Measured, error) {
	s, err := c.Spectrum()
	if err != nil {
		return Measured{}, err
	}
	lab, err := s.Lab(colour.D65, colour.TenDegrees)
	round := func(v float64) float64 { return math.Round(100*v) / 100 }
	lab = colour.Lab{L: round(lab.L), A: round(lab.A), B: round(lab.B)}
	return Measured{Geometry: c.Geometry, Lab: lab, Illuminant: string(colour.D65), Observer: string(colour.TenDegrees)}, err
}

// Same reports whether two curves are the same, nil for none.
func (c *Curve) Same(d *Curve) bool {
	if c == nil || d == nil {
		return c == d
	}
	return c.Geometry == d.Geometry && c.Start == d.Start && c.Step == d.Step && slices.Equal(c.Values, d.Values)
}

// Text writes the curve as ParseCurve reads it, a wavelength a line.
func (c Curve) Text() string {
	var b strings.Builder
	for i, v := range c.Values {
		fmt.Fprintf(&b, "%g;%.5g\n", c.Start+float64(i)*c.Step, v)
	}
	return b.String()
}

// bareStarts are the wavelengths from which a row of values without any runs, by how many they are: every 10 nm over
// what instruments usually give (common practice, no source).
var bareStarts = map[int]float64{31: 400, 36: 380, 35: 380, 39: 360, 40: 360, 43: 360}

var numberIn = regexp.MustCompile(`[-+]?(?:[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+)(?:[eE][-+]?[0-9]+)?`)

// ParseCurve reads a spectrum as it is pasted or comes in a CSV file: a wavelength and a value a line, or two rows of
// them, or 31 values (400 to 700 nm every 10 nm) or another usual number alone. Values are reflectance factors from 0 to 1,
// or per cent where percent is true. Numbers may have a decimal comma where no comma separates them. Words beside the
// numbers are left out. Errors are plain sentences.
func ParseCurve(text, geometry string, percent bool) (Curve, error) {
	c := Curve{Geometry: geometry}
	if len(text) > MostCurve {
		return c, fmt.Errorf("the spectrum has more than %d characters. Paste one reading alone", MostCurve)
	}
	rows, err := rowsOf(text)
	if err != nil {
		return c, err
	}
	if err := c.fill(rows); err != nil {
		return c, err
	}
	most := slices.Max(c.Values)
	switch {
	case percent && most <= 1.2:
		return c, fmt.Errorf("the values go up to %.4g only, which is no per cent of a paint. Choose 0 to 1", most)
	case percent:
		for i := range c.Values {
			c.Values[i] /= 100
		}
	case most > 1.5:
		return c, fmt.Errorf("the values go up to %.4g, so they look like per cent. Choose per cent, or correct them", most)
	}
	_, err = c.Spectrum()
	return c, err
}

// rowsOf returns the numbers of each line that has any.
func rowsOf(text string) ([][]float64, error) {
	decimalComma := commaIsDecimal(text)
	var rows [][]float64
	for n, line := range strings.Split(strings.ReplaceAll(text, "\r", "\n"), "\n") {
		var row []float64
		for _, field := range fieldsOf(line, decimalComma) {
			if strings.ContainsFunc(field, func(r rune) bool { return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' }) && !numberAlone(field) {
				if text := strings.TrimSuffix(strings.ToLower(field), "nm"); numberAlone(text) {
					field = text
				} else {
					continue // a heading, or the name of the row
				}
			}
			if !strings.ContainsAny(field, "0123456789") {
				continue // a sign that stands by itself
			}
			v, err := formula.ParseNumber(strings.Trim(field, `"'%`))
			if err != nil {
				return nil, fmt.Errorf("line %d: %s", n+1, strings.TrimSuffix(err.Error(), "."))
			}
			row = append(row, v)
		}
		if len(row) > 0 {
			rows = append(rows, row)
		}
	}
	if len(rows) == 0 {
		return nil, errors.New("there are no numbers in it. Paste a wavelength and a value a line")
	}
	return rows, nil
}

func numberAlone(field string) bool { return numberIn.FindString(field) == field && field != "" }

// commaIsDecimal reports whether the commas of a text stand in numbers: where another sign separates them.
func commaIsDecimal(text string) bool {
	return strings.Contains(text, ",") && !strings.Contains(text, ".") && (strings.ContainsAny(text, ";\t") || spacedCommas.MatchString(text))
}

var spacedCommas = regexp.MustCompile(`[0-9] +[0-9]+,[0-9]`)

func fieldsOf(line string, decimalComma bool) []string {
	return strings.FieldsFunc(line, func(r rune) bool {
		return r == ';' || r == '\t' || r == ' ' || r == '\u00a0' || r == ',' && !decimalComma
	})
}

// fill makes the curve of rows of numbers.
func (c *Curve) fill(rows [][]float64) error {
	var waves []float64
	switch {
	case len(rows) > 2 && all(rows, 2): // a wavelength and a value a line
		for _, row := range rows {
			waves, c.Values = append(waves, row[0]), append(c.Values, row[1])
		}
	case len(rows) == 2 && len(rows[0]) == len(rows[1]) && len(rows[0]) > 2: // wavelengths over values
		waves, c.Values = rows[0], rows[1]
	case all(rows, 1) || len(rows) == 1:
		for _, row := range rows {
			c.Values = append(c.Values, row...)
		}
		start, ok := bareStarts[len(c.Values)]
		if !ok {
			return fmt.Errorf("%d values without wavelengths could be anything. Give 31 for 400 to 700 nm every 10 nm, or a wavelength with each", len(c.Values))
		}
		c.Start, c.Step = start, 10
		return nil
	default:
		return errors.New("the lines do not hold the same number of figures. Give a wavelength and a value in each")
	}
	c.Start, c.Step = waves[0], (waves[len(waves)-1]-waves[0])/float64(len(waves)-1)
	for i, w := range waves {
		if math.Abs(w-(c.Start+float64(i)*c.Step)) > 0.01 || c.Step <= 0 {
			return fmt.Errorf("the wavelengths do not rise evenly at %g nm. Give one value every 10 nm, or any other even step", w)
		}
	}
	return nil
}

func all(rows [][]float64, n int) bool {
	return !slices.ContainsFunc(rows, func(row []float64) bool { return len(row) != n })
}
