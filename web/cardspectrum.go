package web

import (
	"context"
	"errors"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"pourbook/internal/card"
	"pourbook/internal/pour"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// takeSpectrumFile puts the text of a file that was sent into the field of the spectrum.
func (f cardForm) takeSpectrumFile(r *http.Request) error {
	text, sent, err := sentText(r, "spectrum_file")
	if err != nil || !sent {
		return err
	}
	f.values["spectrum"] = text
	return nil
}

// sentText returns the text of a file of an upload, and whether one was sent. What is longer than any spectrum is cut a
// letter beyond what is taken, so that it is refused with a sentence.
func sentText(r *http.Request, field string) (text string, sent bool, err error) {
	if r.MultipartForm == nil || len(r.MultipartForm.File[field]) == 0 || r.MultipartForm.File[field][0].Size == 0 {
		return "", false, nil
	}
	file, err := r.MultipartForm.File[field][0].Open()
	if err != nil {
		return "", false, unreadable(err)
	}
	data, err := io.ReadAll(io.LimitReader(file, card.MostCurve+1))
	if err = errors.Join(err, file.Close()); err != nil {
		return "", false, unreadable(err)
	}
	return strings.TrimPrefix(validText(string(data)), "\ufeff"), true, nil
}

// curve reads the spectrum of the form; one that was not touched stays as it is.
func (f cardForm) curve(had *card.Curve, problems entryProblems) *card.Curve {
	text := f.get("spectrum")
	if text == "" {
		return nil
	}
	geometry := f.get("spectrum_at")
	if geometry == "" {
		geometry = card.CurveGeometries[0]
	}
	if had != nil && geometry == had.Geometry && tidyLines(text) == tidyLines(had.Text()) && f.get("spectrum_as") != "percent" {
		return had
	}
	c, err := card.ParseCurve(text, geometry, f.get("spectrum_as") == "percent")
	if err != nil {
		problems.add("spectrum", plain(err))
		return nil
	}
	return &c
}

func tidyLines(s string) string { return strings.Join(strings.Fields(s), "\n") }

// withCurve puts the figures of a spectrum in place of any that were typed for the same geometry.
func withCurve(readings []card.Measured, c *card.Curve) []card.Measured {
	if c == nil {
		return readings
	}
	main, err := c.Main()
	if err != nil {
		return readings // said of the spectrum already
	}
	readings = slices.DeleteFunc(readings, func(m card.Measured) bool { return m.Geometry == main.Geometry })
	readings = append(readings, main)
	slices.SortStableFunc(readings, func(a, b card.Measured) int {
		return slices.Index(card.Geometries, a.Geometry) - slices.Index(card.Geometries, b.Geometry)
	})
	return readings
}

func spectrumInputs(form cardForm, problem string) (text page.Input, as, at page.Pick) {
	text = page.Input{
		Name: "spectrum", Label: "Spectrum", Value: form.values["spectrum"], Problem: problem, Rows: 4,
		Hint: "A wavelength and a value a line, as the instrument's program writes them, or 31 values from 400 to 700 nm.",
	}
	percent := form.get("spectrum_as") == "percent"
	as = page.Pick{Name: "spectrum_as", Label: "Values are", Options: []page.PickOption{{Value: "one", Label: "0 to 1", Chosen: !percent}, {Value: "percent", Label: "per cent", Chosen: percent}}}
	at = page.Pick{Name: "spectrum_at", Label: "Read at, gloss left out"}
	chosen := form.get("spectrum_at")
	for i, g := range card.CurveGeometries {
		at.Options = append(at.Options, page.PickOption{Value: g, Label: g, Chosen: g == chosen || chosen == "" && i == 0})
	}
	return text, as, at
}

// fillMeasured adds to the page of a card what its spectrum says, and what was promised of it.
func (s *server) fillMeasured(ctx context.Context, v *page.Card, c card.Card) error {
	target, err := s.targetOf(ctx, c.FormulaID)
	if err != nil {
		return err
	}
	if _, ok := c.Main(); ok {
		v.MatchRef = "/match?card=" + strconv.FormatInt(c.ID, 10)
	}
	fillVariantRef(v, c, target)
	if err := fillSpectrum(v, c, target); err != nil {
		return err
	}
	v.Promise, err = s.promise(ctx, c, target)
	return err
}

// targetOf returns the measured spectrum that a formula is to hit, nil where none was measured.
func (s *server) targetOf(ctx context.Context, formulaID int64) (*store.FormulaSpectrum, error) {
	target, err := s.Store.FormulaSpectrum(ctx, formulaID)
	if errors.Is(err, store.ErrNotFound) {
		return nil, nil
	}
	return &target, err
}

// promise says what the last tint before a card was predicted to come to, and what the card reads. Nothing where no tint
// was predicted.
func (s *server) promise(ctx context.Context, c card.Card, target *store.FormulaSpectrum) (string, error) {
	if c.Batch == "" || c.Spectrum == nil || target == nil {
		return "", nil
	}
	events, err := s.Store.Events(ctx, c.Batch)
	if err != nil {
		return "", err
	}
	undone := takenBack(events)
	predicted := -1.0
	for _, e := range events {
		if e.Seq > c.BatchSeq || undone[e.ID] {
			continue
		}
		if b, ok := e.Body.(pour.Corrected); ok && b.Choice == pour.Tint && b.DeltaE != nil {
			predicted = *b.DeltaE
		}
	}
	if predicted < 0 {
		return "", nil
	}
	worst, err := worstOver(*c.Spectrum, target.Curve)
	if err != nil {
		return "", err
	}
	return "After the tint: predicted ΔE " + decimal(predicted, 2) + ", measured " + decimal(worst, 2) + " under the worst lamp.", nil
}

func takenBack(events []pour.Event) map[string]bool {
	undone := map[string]bool{}
	for _, e := range events {
		if b, ok := e.Body.(pour.TakenBack); ok {
			undone[b.Event] = true
		}
	}
	return undone
}
