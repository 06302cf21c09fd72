// Package card holds spray-out cards: what was sprayed on them and how, and what was seen.
//
// It promises plain values and checks them as they come in; it does no storage and judges no colour itself.
// Start at Card; Verdict (verdict.go) is what the eye said.
package card

import (
	"time"

	"pourbook/internal/colour"
)

// Decision is what the painter made of a card.
type Decision string

// The decisions.
const (
	EdgeToEdge Decision = "edge to edge" // matches, panel against panel
	Blend      Decision = "blend"        // close enough to blend into the next panel
	No         Decision = "no"           // tint or start over
	Open       Decision = ""             // not decided yet
)

// Decisions lists them in the order of a form.
var Decisions = []Decision{EdgeToEdge, Blend, No}

// Card is one test panel sprayed from a batch.
type Card struct {
	ID         int64
	Batch      string
	BatchSeq   int   // how far the batch was when the paint was drawn, so that the cup's composition is known
	FormulaID  int64 // the formula family on whose wall it hangs
	RevisionID int64
	Number     int // within its formula: written on the back of the panel
	SprayedAt  time.Time
	By         string

	Coats     int    // of colour; for a tri-coat the number that was chosen
	Steps     []Step // a stepped panel, one a mid coat
	Gun       string // nozzle, air cap
	Pressure  string
	Distance  string
	Reduction string
	Undercoat string // grey of sealer or ground, as the shop numbers or names it
	Cleared   bool
	Dry       bool
	Size      string
	Notes     string
	Verdicts  []Verdict
	Readings  []Measured
	Spectrum  *Curve // nil: none was read
	Decision  Decision
	DecidedAt time.Time
	Photo     int64 // 0: none; kept apart because it is large
}

// Final reports whether a judgement of this card counts: solids usually darken as they dry and clear deepens
// (common practice, no source).
func (c Card) Final() bool { return c.Cleared && c.Dry }

// Step is one field of a stepped panel.
type Step struct {
	MidCoats int // 1 to 4
	Word     string
	Chosen   bool
}

// Measured is one instrument reading of the card. Geometry is "45/0", "d/8" or an aspecular angle in degrees.
type Measured struct {
	Geometry   string
	Lab        colour.Lab
	Illuminant string // "D65"
	Observer   string // "10"
}
