// Package formula holds the words of the book: toners, formulas, their revisions and lines,
// and our own variants of them; and the reading and writing of formulas as text.
//
// It promises that a revision never changes and that the lines it holds were checked as they came in.
// It does no storage and no pouring; weights are gram's.
package formula

import "pourbook/internal/gram"

// System is a paint system: toners of two systems never meet in one cup, match or kept tin.
// The name is the shop's own ("Solvent base", "Water base", "Clears").
type System string

// Kind says what a toner is made of, which decides how it is poured and stirred.
type Kind string

// The kinds of toner.
const (
	Solid    Kind = "solid"
	Flake    Kind = "flake" // metal flake: shaken before it is poured
	Pearl    Kind = "pearl" // interference pigment
	Binder   Kind = "binder"
	Hardener Kind = "hardener"
	Reducer  Kind = "reducer"
)

// Kinds lists every kind in the order in which a form shows them.
var Kinds = []Kind{Solid, Flake, Pearl, Binder, Hardener, Reducer}

// Strength is how much a small error in a toner shows.
type Strength string

// The strength classes.
const (
	Strong Strength = "strong"
	Medium Strength = "medium"
	Weak   Strength = "weak"
)

// Strengths lists every class, strongest first.
var Strengths = []Strength{Strong, Medium, Weak}

// Tolerance returns the part of its own grams by which a toner may be off when no colour data say better:
// strong 2 %, medium 4 %, weak (white and binder too) 8 %. Common practice, no source.
func (s Strength) Tolerance() float64 {
	switch s {
	case Strong:
		return 0.02
	case Medium:
		return 0.04
	default:
		return 0.08
	}
}

// Money counts minor units (cents) of the shop's one currency.
type Money int64

// Toner is one tinting paste, base, hardener or reducer on the shelf.
type Toner struct {
	ID       int64
	Name     string
	Code     string // the shop's own short code, may be empty
	System   System
	Kind     Kind
	Strength Strength
	Density  float64 // g/mL, 0: not known
	PerLitre Money   // price of a litre in minor units, 0: not known
	Swatch   string  // "#rrggbb" for drawing it, an impression and no colour standard
	Hazard   string  // plain words: what it can do and what to wear
	SheetURL string  // link to or shelf place of the safety data sheet
	WetFirst bool    // dry pearl or shocking paste: wet it in the weak base before anything else
	Replaced *Replacement
	Stocked  bool
}

// Replacement names the toner to use instead of a superseded one: Factor grams of it for each gram.
type Replacement struct {
	By     string // name of the new toner, of the same paint system
	Factor float64
}

// Cost returns what m of this toner costs, 0 where price or density is not known.
func (t Toner) Cost(m gram.Mass) Money {
	if t.Density <= 0 {
		return 0
	}
	millilitres := m.Grams() / t.Density
	return Money(millilitres*float64(t.PerLitre)/1000 + 0.5)
}
