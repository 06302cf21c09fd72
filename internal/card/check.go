package card

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"pourbook/internal/colour"
	"pourbook/internal/formula"
)

// The most that a card holds. Words as long as the book keeps them; twenty coats are no spray-out any more.
const (
	MostWord  = 200  // characters of a one-line field
	MostNotes = 5000 // characters of the notes
	MostCoats = 20
	MostSteps = 4 // mid coats of a stepped panel
)

// flashL is the brightest L* taken towards the mirror angle, where flake is brighter than white: the limit that
// colour.Reading holds at 15 and 25 degrees. Common practice, no source.
const flashL = 200

// Geometries lists how an instrument may have looked at a card, in the order of a form: 45/0 and d/8 for solids
// (trade notation; from memory, no source opened), aspecular angles in degrees for flake and pearl.
var Geometries = []string{"45/0", "d/8", "15", "25", "45", "75", "110"}

// Check returns everything that is wrong with a card as formula.Problems, nil where it stands. The field of a problem
// is the name of the part of the card in small letters; of a verdict it is VerdictField, of a reading ReadingField.
func Check(c Card) error {
	var ps formula.Problems
	add := func(field, format string, args ...any) {
		ps = append(ps, formula.Problem{Field: field, Detail: fmt.Sprintf(format, args...)})
	}
	for _, word := range []struct{ field, value string }{
		{"by", c.By},
		{"gun", c.Gun},
		{"pressure", c.Pressure},
		{"distance", c.Distance},
		{"reduction", c.Reduction},
		{"undercoat", c.Undercoat},
		{"size", c.Size},
	} {
		if wrong := badWord(word.value, MostWord, false); wrong != "" {
			add(word.field, "%s", wrong)
		}
	}
	if wrong := badWord(c.Notes, MostNotes, true); wrong != "" {
		add("notes", "%s", wrong)
	}
	if c.Coats < 0 || c.Coats > MostCoats {
		add("coats", "%d coats are not possible. Give the number of coats from 0 to %d.", c.Coats, MostCoats)
	}
	if c.BatchSeq < 0 {
		add("batch", "the card does not say how far its batch was. Go back to the batch and begin again.")
	}
	if c.Decision != Open && !slices.Contains(Decisions, c.Decision) {
		add("decision", "%s is no decision. Choose one of the list.", strconv.Quote(shorten(string(c.Decision))))
	}
	checkSteps(c, add)
	checkVerdicts(c.Verdicts, add)
	checkReadings(c.Readings, add)
	if c.Spectrum != nil {
		if !slices.Contains(CurveGeometries, c.Spectrum.Geometry) {
			add("spectrum", "%s is no geometry of a spectrum. Choose one of the list.", strconv.Quote(shorten(c.Spectrum.Geometry)))
		}
		if _, err := c.Spectrum.Spectrum(); err != nil {
			add("spectrum", "%s.", err)
		}
	}
	return ps.Err()
}

func checkSteps(c Card, add func(field, format string, args ...any)) {
	seen, chosen := map[int]bool{}, 0
	for _, s := range c.Steps {
		switch {
		case s.MidCoats < 1 || s.MidCoats > MostSteps:
			add("steps", "a stepped panel has 1 to %d mid coats; a step of %d is none of them. Leave it out.", MostSteps, s.MidCoats)
			return
		case seen[s.MidCoats]:
			add("steps", "the step of %d mid coats is there twice. Leave one out.", s.MidCoats)
			return
		}
		seen[s.MidCoats] = true
		if wrong := badWord(s.Word, MostWord, false); wrong != "" {
			add(StepField(s.MidCoats), "%s", wrong)
		}
		if s.Chosen {
			chosen++
			if c.Coats != s.MidCoats {
				add("coats", "the step of %d mid coats is chosen, but the card says %d coats. Make them the same.", s.MidCoats, c.Coats)
			}
		}
	}
	switch {
	case chosen > 1:
		add("chosen", "more than one step is chosen. Choose the one that the car will get.")
	case chosen == 0 && len(c.Steps) > 0 && (c.Decision == EdgeToEdge || c.Decision == Blend):
		add("chosen", "no step is chosen. Choose the one that the car will get, or leave the decision open.")
	}
}

func checkVerdicts(verdicts []Verdict, add func(field, format string, args ...any)) {
	seen := map[string]bool{}
	for _, v := range verdicts {
		field := VerdictField(v.Light, v.Side)
		switch {
		case !slices.Contains(Lights, v.Light) || !slices.Contains(Sides, v.Side):
			add("verdicts", "a verdict names no light or side that is known here. Choose both from the list.")
		case seen[field]:
			add(field, "there are two verdicts for %s, %s. Leave one out.", v.Light, v.Side)
		case slices.ContainsFunc(v.Off[:], func(step int) bool { return step < -3 || step > 3 }):
			add(field, "a step of the verdict is beyond much. Choose one of the seven.")
		}
		seen[field] = true
	}
}

func checkReadings(readings []Measured, add func(field, format string, args ...any)) {
	seen := map[string]bool{}
	for _, m := range readings {
		if !slices.Contains(Geometries, m.Geometry) {
			add("readings", "%s is no geometry that is known here. Use %s.", strconv.Quote(shorten(m.Geometry)), strings.Join(Geometries, ", "))
			continue
		}
		if seen[m.Geometry] {
			add(ReadingField(m.Geometry), "there are two readings at %s. Leave one out.", m.Geometry)
		}
		seen[m.Geometry] = true
		if err := m.Valid(); err != nil {
			add(ReadingField(m.Geometry), "%s.", err)
		}
		if utf8.RuneCountInString(m.Illuminant) > MostWord || utf8.RuneCountInString(m.Observer) > MostWord {
			add(ReadingField(m.Geometry), "illuminant or observer of the reading is too long. Shorten it.")
		}
	}
}

// Valid returns nil for a colour that a card can have at the angle of the reading. The error is one plain sentence
// without its full stop.
func (m Measured) Valid() error {
	lab := m.Lab
	if (m.Geometry == "15" || m.Geometry == "25") && !math.IsNaN(lab.L) {
		if lab.L > flashL {
			return fmt.Errorf("the lightness is %.6g: at %s degrees L must be from 0 to %d", lab.L, m.Geometry, flashL)
		}
		lab.L = min(lab.L, 100)
	}
	return lab.Valid()
}

// FromTarget returns ΔE00 of the reading to a target that was measured on a flat colour. ok is false at the angles of
// face and flop, where such a target says nothing.
func (m Measured) FromTarget(target colour.Lab) (deltaE float64, ok bool) {
	if m.Geometry != "45/0" && m.Geometry != "d/8" && m.Geometry != "45" {
		return 0, false
	}
	return colour.DeltaE2000(target, m.Lab), true
}

// Main returns the reading that stands for the whole card in a drawing: the first of 45/0, d/8 and 45 degrees.
func (c Card) Main() (Measured, bool) {
	for _, geometry := range []string{"45/0", "d/8", "45"} {
		for _, m := range c.Readings {
			if m.Geometry == geometry {
				return m, true
			}
		}
	}
	return Measured{}, false
}

// VerdictField names the part of a card that holds the verdict of one light and side: "daylight face".
func VerdictField(l Light, s Side) string { return string(l) + " " + string(s) }

// ReadingField names the part of a card that holds the reading of one geometry: "reading 45/0".
func ReadingField(geometry string) string { return "reading " + geometry }

// StepField names the part of a card that holds one step: "step 2".
func StepField(midCoats int) string { return "step " + strconv.Itoa(midCoats) }

// badWord says what is wrong with words that are to be kept, nothing where they are sound. Any script is welcome.
func badWord(s string, most int, prose bool) string {
	control := func(r rune) bool {
		return unicode.IsControl(r) && (!prose || r != '\n' && r != '\r' && r != '\t')
	}
	switch {
	case !utf8.ValidString(s) || strings.ContainsRune(s, utf8.RuneError):
		return "a character was lost on the way (�). Type it again."
	case utf8.RuneCountInString(s) > most:
		return fmt.Sprintf("that is longer than %d characters. Shorten it.", most)
	case strings.ContainsFunc(s, control):
		return "there is a line break, a tab or another control character in it. Take it out."
	}
	return ""
}

func shorten(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}
