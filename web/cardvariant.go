package web

import (
	"net/http"
	"strconv"

	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pigment"
	"pourbook/internal/pour"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// Weights of a variant are computed to a tenth of a gram of the formula's amount. Common practice, no source.
const variantDivision = 100 * gram.Milligram

// cardVariant opens the form of a variant with the weights that would have given the target instead of this card: toners
// may be taken out as well, as nothing has been poured yet. Nothing is kept until it is sent.
func (s *server) cardVariant(w http.ResponseWriter, r *http.Request) error {
	c, err := s.cardOf(r)
	if err != nil {
		return err
	}
	f, err := s.Store.Formula(r.Context(), c.FormulaID)
	if err != nil {
		return err
	}
	rev, err := s.revisionOf(r.Context(), f, strconv.FormatInt(c.RevisionID, 10))
	if err != nil {
		return err
	}
	lines, reason, err := s.freeTint(r, c, rev)
	if err != nil {
		return err
	}
	form, err := s.variantOf(r, f, rev)
	if err != nil {
		return err
	}
	masses, _ := columns(lines)
	grams := exactGrams(masses)
	form.rows = nil
	for _, l := range lines {
		form.rows = append(form.rows, formula.Row{Toner: l.Toner.Name, Amount: grams(l.Mass)})
	}
	form.values["reason"] = reason
	return s.showEntry(w, r, http.StatusOK, s.variantKind(f, rev), form, entryProblems{})
}

func notComputable(sentence, next string) error {
	return &fault{status: http.StatusConflict, sentence: sentence, next: next}
}

// freeTint returns the lines of a formula whose card would be the target, and why in words.
func (s *server) freeTint(r *http.Request, c card.Card, rev formula.Revision) ([]formula.Line, string, error) {
	if c.Spectrum == nil || c.Batch == "" {
		return nil, "", notComputable("This card has no spectrum of a cup, so no variant can be computed from it.", "Give the card's spectrum first.")
	}
	target, err := s.targetOf(r.Context(), c.FormulaID)
	if err != nil {
		return nil, "", err
	}
	if target == nil {
		return nil, "", notComputable("No spectrum of the target was measured, so there is nothing to aim at.", "Give the target's spectrum first, on the page of the formula.")
	}
	events, err := s.Store.Events(r.Context(), c.Batch)
	if err != nil {
		return nil, "", err
	}
	if c.BatchSeq < 1 || c.BatchSeq > len(events) {
		return nil, "", notComputable("It is not known what was in the cup when this card was sprayed.", "Spray another card from a cup that stands.")
	}
	then, err := pour.Fold(events[:c.BatchSeq])
	if err != nil {
		return nil, "", err
	}
	var tc tintCase
	if err := s.tintPalette(r.Context(), then, &tc); err != nil {
		return nil, "", err
	}
	if len(tc.unknown) > 0 || tc.palette == nil {
		return nil, "", notComputable("There are no colour data of "+listed(tc.unknown)+", so no variant can be computed.", "Make the variant by hand.")
	}
	ask := pigment.TintAsk{
		Lights: store.Lights(), Observer: colour.TenDegrees, Limit: usualLimit, Division: variantDivision, MostToners: tintMost, Free: true,
		In: scaledTo(tc.in, rev.Total),
	}
	if ask.Card, err = c.Spectrum.Spectrum(); err != nil {
		return nil, "", err
	}
	if ask.Target, err = target.Curve.Spectrum(); err != nil {
		return nil, "", err
	}
	got, err := tc.palette.Tint(ask)
	if err != nil {
		return nil, "", badRequest("%s", plain(err))
	}
	var lines []formula.Line
	for i, m := range ask.In {
		if m += got.Change[i]; m <= 0 {
			continue
		}
		toner, err := s.Store.Toner(r.Context(), tc.palette.Toners[i])
		if err != nil {
			return nil, "", err
		}
		lines = append(lines, formula.Line{Toner: toner, Mass: m})
	}
	reason := "From card " + strconv.Itoa(c.Number) + ": ΔE " + decimal(got.Before, 2) + " to the target, " + decimal(got.After, 2) + " predicted."
	if got.Doubtful() {
		reason += " The card is far from what the toners' data say: a guess."
	}
	return lines, reason, nil
}

// scaledTo brings masses to a sum, in whole divisions of a variant.
func scaledTo(in []gram.Mass, total gram.Mass) []gram.Mass {
	sum := gram.Sum(in)
	out := make([]gram.Mass, len(in))
	for i, m := range in {
		out[i] = gram.Of(total.Grams() * m.Grams() / sum.Grams()).Round(variantDivision)
	}
	return out
}

// fillVariantRef offers a variant where one can be computed.
func fillVariantRef(v *page.Card, c card.Card, target *store.FormulaSpectrum) {
	if c.Spectrum != nil && c.Batch != "" && target != nil && c.Decision != card.EdgeToEdge {
		v.VariantRef = cardHref(c.ID) + "/variant"
	}
}
