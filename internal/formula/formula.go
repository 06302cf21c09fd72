package formula

import (
	"time"

	"pourbook/internal/colour"
	"pourbook/internal/gram"
)

// Coat is the layer a formula is for.
type Coat string

// The coats, from the substrate up.
const (
	Sealer      Coat = "sealer"
	Ground      Coat = "ground coat"
	Base        Coat = "base"
	Mid         Coat = "mid"
	Clear       Coat = "clear"
	SingleStage Coat = "single-stage"
)

// Coats lists every coat in the order in which they are sprayed.
var Coats = []Coat{Sealer, Ground, Base, Mid, Clear, SingleStage}

// Finish is how a colour looks: it decides how a card is judged.
type Finish string

// The finishes.
const (
	FinishSolid    Finish = "solid"
	FinishMetallic Finish = "metallic"
	FinishPearl    Finish = "pearl"
)

// Finishes lists every finish.
var Finishes = []Finish{FinishSolid, FinishMetallic, FinishPearl}

// Formula is one entry of the book: a colour, one coat of it, in one paint system.
// Alternates of one code are formulas with the same Code and another Alternate.
type Formula struct {
	ID        int64
	Name      string // colour name
	Code      string // colour code as the shop writes it, may be empty
	Alternate string // "lighter", "redder", "coarser"; empty for the standard
	Years     string // "1968 to 1972", free text, searched
	Tags      []string
	System    System
	Coat      Coat
	Finish    Finish
	Swatch    string      // "#rrggbb", an impression
	Target    *colour.Lab // the measured colour to hit (D65, 10 degrees), if known
	Notes     string
	Parent    *Origin // set on our own variants
	Retired   bool
	CreatedAt time.Time
}

// IsVariant reports whether the formula is our own, derived from another.
func (f Formula) IsVariant() bool { return f.Parent != nil }

// Title returns the name a person uses: "Pistachio gate, lighter".
func (f Formula) Title() string {
	if f.Alternate == "" {
		return f.Name
	}
	return f.Name + ", " + f.Alternate
}

// Revision is one unchanging statement of a formula's lines. A change makes a new revision.
type Revision struct {
	ID         int64
	FormulaID  int64
	Number     int // 1, 2, 3 …
	Lines      []Line
	Total      gram.Mass // the sum of the lines, kept so that a list need not read them
	Reduction  *Ratio    // the usual reduction, if the book has one
	PotLife    time.Duration
	FixedOrder bool // the order of the lines is part of the formula and is not to be changed
	Note       string
	By         string // person's name
	At         time.Time
}

// Line is one component of a revision, in pouring order.
type Line struct {
	Toner Toner
	Mass  gram.Mass
}

// Ratio is a reduction by parts: paint : hardener : reducer, always with names.
// By is "volume" or "weight".
type Ratio struct {
	Paint float64
	Parts []Part
	By    string
}

// Part is one thing that goes in beside the paint.
type Part struct {
	Name    string  // as the shop calls it
	Kind    Kind    // Hardener or Reducer
	Parts   float64 // to Ratio.Paint parts of paint
	Density float64 // g/mL, needed by volume
}

// Origin says where one of our variants comes from and why it was made.
type Origin struct {
	FormulaID  int64
	RevisionID int64 // 0: the formula as such
	BatchID    string
	Reason     string
}
