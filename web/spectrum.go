package web

import (
	"fmt"
	"math"
	"slices"

	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/pigment"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// lampWords names a light as the shop calls it.
var lampWords = map[colour.Illuminant]string{
	colour.D65: "Daylight (D65)", colour.A: "Filament lamp (A)", colour.F11: "Shop tube (F11)",
}

// curve is a measured spectrum with the name that it has in a drawing.
type curve struct {
	name     string
	spectrum colour.Spectrum
	dashed   bool
}

// spectraView draws curves in one frame, and tells how far the second is from the first under every lamp.
func spectraView(label string, curves ...curve) (page.Spectra, error) {
	v := page.Spectra{Label: label}
	grid := colour.Paint()
	top := 0.1
	resampled := make([][]float64, len(curves))
	for i, c := range curves {
		s, err := c.spectrum.Resample(grid)
		if err != nil {
			return v, err
		}
		resampled[i] = s.Values()
		for _, r := range resampled[i] {
			top = max(top, r)
		}
	}
	top = math.Ceil(top*10-1e-9) / 10
	for i, c := range curves {
		line := page.SpectrumCurve{Name: c.name, Dashed: c.dashed}
		for j, r := range resampled[i] {
			line.Points = append(line.Points, page.Point{X: float64(j) / float64(grid.Count-1), Y: r / top})
		}
		v.Curves = append(v.Curves, line)
	}
	for nm := 400.0; nm <= 700; nm += 50 {
		v.Marks = append(v.Marks, page.SpectrumMark{At: (nm - 400) / 300, Text: fmt.Sprintf("%.0f", nm)})
	}
	for _, part := range []float64{0, 0.5, 1} {
		v.Levels = append(v.Levels, page.SpectrumMark{At: part, Text: decimal(part*top, 2)})
	}
	for j := range grid.Count {
		row := page.SpectrumRow{Wave: fmt.Sprintf("%.0f", grid.Wavelength(j))}
		for i := range curves {
			row.Values = append(row.Values, decimal(resampled[i][j], 4))
		}
		v.Rows = append(v.Rows, row)
	}
	if len(curves) < 2 {
		return v, nil
	}
	var err error
	v.Lamps, v.Change, err = lampRows(curves[0].spectrum, curves[1].spectrum)
	return v, err
}

// lampRows tells how far a card is from a target under each lamp, and how much of that comes with the change of lamp alone.
func lampRows(card, target colour.Spectrum) (lamps, change []page.LampRow, err error) {
	lights := store.Lights()
	by, err := pigment.Differences(target, card, lights, colour.TenDegrees)
	if err != nil {
		return nil, nil, err
	}
	for i, light := range lights {
		lamps = append(lamps, page.LampRow{Lamp: lampWords[light], DeltaE: decimal(by[i], 2), Word: seenBy(by[i])})
		if i == 0 {
			continue
		}
		m, err := colour.Metamerism(target, card, lights[0], light, colour.TenDegrees)
		if err != nil {
			continue // a card without any light of one kind has no such index
		}
		change = append(change, page.LampRow{Lamp: "Metamerism to " + lampWords[light], DeltaE: decimal(m, 2), Word: "what would stay if they matched by day"})
	}
	return lamps, change, nil
}

// fillSpectrum draws the spectrum of a card, beside that of its formula where one was measured.
func fillSpectrum(v *page.Card, c card.Card, target *store.FormulaSpectrum) error {
	if c.Spectrum == nil {
		return nil
	}
	read, err := c.Spectrum.Spectrum()
	if err != nil {
		return err
	}
	curves := []curve{{name: "Card", spectrum: read}}
	label := "Spectrum of the card"
	if target != nil {
		aim, err := target.Curve.Spectrum()
		if err != nil {
			return err
		}
		curves = append(curves, curve{name: "Target", spectrum: aim, dashed: true})
		label += " beside that of the target"
	}
	spectra, err := spectraView(label, curves...)
	if err != nil {
		return err
	}
	spectra.Note = "Read at " + geometryWords(c.Spectrum.Geometry) + ", seen by the 10° observer."
	if target == nil {
		spectra.Note += " No spectrum of the target was measured, so there is nothing to compare with."
	} else if target.Curve.Geometry != c.Spectrum.Geometry {
		spectra.Note += " The target was read at " + geometryWords(target.Curve.Geometry) + ": two geometries do not read alike."
	}
	v.Spectra = &spectra
	return nil
}

// worstOver returns the largest ΔE00 between two curves over the lamps.
func worstOver(a, b card.Curve) (float64, error) {
	first, err := a.Spectrum()
	if err != nil {
		return 0, err
	}
	second, err := b.Spectrum()
	if err != nil {
		return 0, err
	}
	by, err := pigment.Differences(second, first, store.Lights(), colour.TenDegrees)
	if err != nil {
		return 0, err
	}
	return slices.Max(by), nil
}
