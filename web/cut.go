package web

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"

	"pourbook/internal/formula"
	"pourbook/internal/pour"
	"pourbook/internal/store"
)

// cutParam writes a cut toner into an address: toner, strength in per cent, base.
func cutParam(o pour.WayOut) string {
	return fmt.Sprintf("%s~%s~%s", o.Toner, trimFloat(o.Strength*100), o.Base)
}

// cuts reads the cut toners that a mix is to use. A cut toner is a toner of the shelf like any other: it is found by
// its name, and made with keep where the shelf has none yet.
func (s *server) cuts(r *http.Request, lines []formula.Line, keep bool) ([]pour.CutToner, error) {
	var cuts []pour.CutToner
	for _, param := range r.Form["cut"] {
		key, rest, _ := strings.Cut(param, "~")
		percent, baseKey, ok := strings.Cut(rest, "~")
		strength, err := strconv.ParseFloat(percent, 64)
		toner, found := lineToner(lines, pour.Key(key))
		base, foundBase := lineToner(lines, pour.Key(baseKey))
		if !ok || err != nil || math.IsNaN(strength) || strength <= 0 || strength >= 100 || !found || !foundBase || toner.ID == base.ID {
			return nil, badRequest("That cut toner does not belong to this formula. Choose a way out again.")
		}
		cut, err := s.cutToner(r.Context(), toner, base, strength/100, keep)
		if err != nil {
			return nil, err
		}
		cuts = append(cuts, pour.CutToner{Toner: pour.Key(key), Cut: cut, Strength: strength / 100, Base: pour.Key(baseKey)})
	}
	return cuts, nil
}

func lineToner(lines []formula.Line, key pour.Key) (formula.Toner, bool) {
	for _, l := range lines {
		if pour.TonerKey(l.Toner.ID) == key {
			return l.Toner, true
		}
	}
	return formula.Toner{}, false
}

func (s *server) cutToner(ctx context.Context, toner, base formula.Toner, strength float64, keep bool) (formula.Toner, error) {
	cut := mixedToner(toner, base, strength)
	kept, err := s.Store.TonerByName(ctx, cut.System, cut.Name)
	if err == nil || !errors.Is(err, store.ErrNotFound) {
		return kept, err
	}
	if !keep {
		return cut, nil
	}
	return s.Store.SaveToner(ctx, cut)
}

// mixedToner is a strong toner mixed into a base: strength grams of it in a gram. Volumes and prices add up.
func mixedToner(toner, base formula.Toner, strength float64) formula.Toner {
	cut := toner
	cut.ID, cut.Code, cut.Replaced, cut.Stocked = 0, "", nil, true
	cut.Name = cutName(toner.Name, base.Name, strength)
	cut.Strength = formula.Medium
	cut.Density, cut.PerLitre = 0, 0
	if toner.Density > 0 && base.Density > 0 {
		cut.Density = 1 / (strength/toner.Density + (1-strength)/base.Density)
		perGram := strength*float64(toner.PerLitre)/toner.Density + (1-strength)*float64(base.PerLitre)/base.Density
		cut.PerLitre = formula.Money(math.Round(perGram * cut.Density))
	}
	return cut
}

func cutName(toner, base string, strength float64) string {
	return fmt.Sprintf("%s cut to %s %% in %s", toner, trimFloat(math.Round(strength*1000)/10), base)
}

// cutNote says how a cut toner is made, so that it can be made before the pour.
func cutNote(c pour.CutToner, lines []formula.Line) string {
	toner, _ := lineToner(lines, c.Toner)
	base, _ := lineToner(lines, c.Base)
	return fmt.Sprintf("Make %s first: %s g of %s and %s g of %s to every 100 g, stirred well.",
		c.Cut.Name, trimFloat(math.Round(c.Strength*1000)/10), toner.Name, trimFloat(math.Round((1-c.Strength)*1000)/10), base.Name)
}
