// Package pour holds the rules of one cup: what has happened to it, which toner is next, when a step is done,
// and what can be done after too much of something went in.
//
// A batch is a list of events and its state is a pure function of that list (Fold). What a person or the scale
// asks for is a Command; Accept turns it into events or says why not. Nothing here reads a clock or a file, and
// Fold never calls the planner or an optimiser: planned and corrected events carry the milligrams that were
// computed, so that a better solver never rewrites an old cup.
//
// Start at Body (this file), then Fold (state.go), Accept (accept.go), NewPlan (step.go) and Choices (correct.go).
package pour

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
	"time"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

// Kind names what happened.
type Kind string

// The kinds of event.
const (
	KindPlanned      Kind = "planned"
	KindCupPlaced    Kind = "cup_placed"
	KindPoured       Kind = "poured"
	KindHeld         Kind = "held"
	KindLiftedOut    Kind = "lifted_out"
	KindReattributed Kind = "reattributed"
	KindCorrected    Kind = "corrected"
	KindTakenBack    Kind = "taken_back"
	KindStirred      Kind = "stirred"
	KindDrawn        Kind = "drawn"
	KindPouredOff    Kind = "poured_off"
	KindMoved        Kind = "moved"
	KindRezeroed     Kind = "rezeroed"
	KindFound        Kind = "found"
	KindShaken       Kind = "shaken"
	KindTakenOver    Kind = "taken_over"
	KindActivated    Kind = "activated"
	KindReduced      Kind = "reduced"
	KindFinished     Kind = "finished"
	KindAbandoned    Kind = "abandoned"
)

// Event is one thing that happened to a batch. Events are only ever appended.
type Event struct {
	ID     string // made by whoever originated it; the same ID is kept once
	Batch  string
	Seq    int // 1, 2, 3 … in its batch
	At     time.Time
	By     string // person's name
	Device string // tablet or bench that originated it
	Epoch  int    // of the holder when it was made
	Body   Body
}

// Body is what happened, one of the types of this file.
type Body interface {
	Kind() Kind
	version() int
}

// Key names a component within one batch: "t12" for toner 12, "p1" for the first part of the reduction.
// The calculators, which know no numbers, use the toner's name.
type Key string

// TonerKey returns the key of a toner of the shelf.
func TonerKey(id int64) Key { return Key("t" + strconv.FormatInt(id, 10)) }

// Component is what may be in the cup, as it was known when it was planned or reattributed.
type Component struct {
	Key      Key              `json:"key"`
	TonerID  int64            `json:"toner_id,omitempty"`
	Name     string           `json:"name"`
	Role     formula.Kind     `json:"role"`
	Strength formula.Strength `json:"strength,omitempty"`
	Density  float64          `json:"density,omitempty"`   // g/mL
	PerLitre formula.Money    `json:"per_litre,omitempty"` // minor units
	Swatch   string           `json:"swatch,omitempty"`
	WetFirst bool             `json:"wet_first,omitempty"`
	Goal     gram.Mass        `json:"goal"`           // grams wanted in the planned cup; 0: foreign to the formula
	Held     gram.Mass        `json:"held,omitempty"` // of Goal, kept back until after the card
}

// Colour reports whether the component belongs to the paint itself, not to its reduction.
func (c Component) Colour() bool { return c.Role != formula.Hardener && c.Role != formula.Reducer }

// want returns the grams of the component that the paint is to hold before anything held back is brought up;
// 0 for hardener, reducer and what is foreign.
func (c Component) want() gram.Mass {
	if !c.Colour() || c.Key == PaintKey {
		return 0
	}
	return c.Goal - c.Held
}

// ComponentOf returns a toner as a component with a goal.
func ComponentOf(t formula.Toner, goal gram.Mass) Component {
	return Component{
		Key: TonerKey(t.ID), TonerID: t.ID, Name: t.Name, Role: t.Kind, Strength: t.Strength, Density: t.Density,
		PerLitre: t.PerLitre, Swatch: t.Swatch, WetFirst: t.WetFirst, Goal: goal,
	}
}

// Toner returns the component as a toner, for its cost and tolerance.
func (c Component) Toner() formula.Toner {
	return formula.Toner{
		ID: c.TonerID, Name: c.Name, Kind: c.Role, Strength: c.Strength, Density: c.Density,
		PerLitre: c.PerLitre, Swatch: c.Swatch, WetFirst: c.WetFirst,
	}
}

// Step is one pour to do. Aim is this pour's own net grams.
type Step struct {
	No        int       `json:"no"` // counts up in the batch and is never used again
	Key       Key       `json:"key"`
	Aim       gram.Mass `json:"aim"`
	Tolerance gram.Mass `json:"tolerance"`
	Why       Why       `json:"why,omitempty"`
}

// Why says what a step is for, when it is not simply the next toner of the formula.
type Why string

// The reasons of a step.
const (
	WhyWetting Why = "wetting"  // the first splash of the weak base
	WhyTopUp   Why = "top_up"   // after an overshoot
	WhyRest    Why = "rest"     // stopped short before
	WhyTint    Why = "tint"     // after a card
	WhyBringUp Why = "bring_up" // held back before
	WhyPaint   Why = "paint"    // today's share, into the spray cup
	WhyReduce  Why = "reduce"   // hardener or reducer
)

// Cup is the vessel on the scale.
type Cup struct {
	Name  string        `json:"name"`
	Brim  float64       `json:"brim_ml"`         // millilitres to the brim, 0: not known
	Empty gram.Mass     `json:"empty,omitempty"` // what it usually weighs, 0: not known
	Cost  formula.Money `json:"cost,omitempty"`
}

// FillPart is the part of the brim to which a cup is filled. Common practice, no source.
const FillPart = 0.85

// Planned opens every batch.
type Planned struct {
	Title      string         `json:"title"` // the formula's title
	Job        string         `json:"job,omitempty"`
	Swatch     string         `json:"swatch,omitempty"` // of the formula: an impression of the stirred cup
	FormulaID  int64          `json:"formula_id"`
	RevisionID int64          `json:"revision_id"`
	Revision   int            `json:"revision"`
	System     formula.System `json:"system"`
	Coat       formula.Coat   `json:"coat,omitempty"`
	Asked      string         `json:"asked"` // "350 ml ready to spray"
	Total      gram.Mass      `json:"total"` // of colour, what is held back included
	Components []Component    `json:"components"`
	Steps      []Step         `json:"steps"`
	Balance    gram.Balance   `json:"balance"`
	Cup        Cup            `json:"cup"`
	Reduction  *formula.Ratio `json:"reduction,omitempty"`
	PotLife    time.Duration  `json:"pot_life,omitempty"`
	Typed      bool           `json:"typed,omitempty"` // readings are typed by hand
	Again      string         `json:"again,omitempty"` // the batch that this one repeats or replaces
	SafeOrder  bool           `json:"safe_order,omitempty"`
	Limit      float64        `json:"limit,omitempty"` // ΔE00 that the shop allows at the bench
}

// CupPlaced records the gross reading with the empty cup on; 0 where the mixer tares by habit.
type CupPlaced struct {
	Reading gram.Mass `json:"reading"`
	Cup     Cup       `json:"cup"`
}

// Poured books what came in since the last settled reading as the open step's component.
type Poured struct {
	Step    int       `json:"step"`
	Attempt int       `json:"attempt"`
	Key     Key       `json:"key"`
	Reading gram.Mass `json:"reading"`        // settled, gross
	More    bool      `json:"more,omitempty"` // the step goes on: the tin ran dry
	Lot     string    `json:"lot,omitempty"`
	Rest    bool      `json:"rest,omitempty"` // stopped short on purpose: the rest comes at the end
	Auto    bool      `json:"auto,omitempty"` // accepted by itself
}

// Held is a reading that stood still in mid-step; the next one replaces it. It books nothing.
type Held struct {
	Step    int       `json:"step"`
	Reading gram.Mass `json:"reading"`
}

// LiftedOut books the fall of the reading as paint of the last pour, taken off while it lay on top.
type LiftedOut struct {
	Key     Key       `json:"key"`
	Reading gram.Mass `json:"reading"`
}

// Reattributed says that the last pour was really another component.
type Reattributed struct {
	From Key       `json:"from"`
	To   Component `json:"to"` // Goal 0 where it is foreign to the formula
	Mass gram.Mass `json:"mass"`
	Step Step      `json:"step"` // the pour of From that is now still to do; Aim 0 where none is
}

// Corrected is a decision: what to do after an overshoot or a wrong toner, a tint, or bringing up what was held back.
type Corrected struct {
	Choice  Choice      `json:"choice"`
	Steps   []Step      `json:"steps"`             // every pour that is now still to do, in order
	Foreign []Component `json:"foreign,omitempty"` // components that the steps use and the batch did not know
	Total   gram.Mass   `json:"total"`             // of colour, when all steps are done and what is held back is in
	Discard gram.Mass   `json:"discard,omitempty"` // to pour off
	Then    Choice      `json:"then,omitempty"`    // for a bigger cup: what is done in it
	Worst   float64     `json:"worst_percent"`
	DeltaE  *float64    `json:"delta_e,omitempty"`
	Note    string      `json:"note,omitempty"`
}

// TakenBack undoes the last live event.
type TakenBack struct {
	Event string `json:"event"`
}

// Stirred says that everything in the cup is one paint now.
type Stirred struct{}

// Drawn takes some of the stirred cup away for a card. Reading 0 with a Mass means that it was typed.
type Drawn struct {
	Mass    gram.Mass `json:"mass"`
	Reading gram.Mass `json:"reading"` // settled gross reading afterwards
}

// PouredOff takes some of the stirred cup away to make room.
type PouredOff struct {
	Reading gram.Mass `json:"reading"`
}

// Moved is the change to another cup: its reading when empty and when everything is in it.
type Moved struct {
	Cup   Cup       `json:"cup"`
	Empty gram.Mass `json:"empty"`
	Full  gram.Mass `json:"full"`
}

// Rezeroed says that the cup is as it was and the display was not: somebody pressed tare, or the scale was switched off.
// Reading is the gross reading that now stands for what was last known to be in the cup.
type Rezeroed struct {
	Reading gram.Mass `json:"reading"`
}

// Found says why the cup was found other than it was last known to be. Both readings are settled and gross: Before is
// the last one that is explained, Reading the first one that is not. What came in after Reading is a pour like any other.
type Found struct {
	Cause   Cause     `json:"cause"`
	Before  gram.Mass `json:"before"`
	Reading gram.Mass `json:"reading"`
	Lost    gram.Mass `json:"lost,omitempty"` // paint that is not in the cup any more
	Cup     *Cup      `json:"cup,omitempty"`  // the cup that it is in now, for CauseCup
}

// Cause is why a cup weighs other than it did.
type Cause string

// The causes. Only paint that is lost changes what is in the cup; solvent that has gone off leaves every toner as it was
// weighed in.
const (
	CauseDisplay Cause = "display" // somebody pressed tare, or the zero has drifted: the cup is as it was
	CauseObject  Cause = "object"  // a stirring stick or a lid was left in it, or taken out again
	CauseSolvent Cause = "solvent" // an open cup has lost some
	CauseTaken   Cause = "taken"   // paint was taken out or spilt
	CauseCup     Cause = "cup"     // it is in another cup now; what clings to the old one is lost
)

// Shaken says that a flake toner's tin was shaken.
type Shaken struct {
	Key Key `json:"key"`
}

// TakenOver makes another device the one that pours.
type TakenOver struct {
	Device string `json:"device"`
	Name   string `json:"name"`
}

// Reduced is the decision to make Portion of the colour ready to spray. With NewCup the portion is weighed into a
// second cup and the rest stays as it is; without, the whole cup is reduced where it stands.
type Reduced struct {
	Portion gram.Mass   `json:"portion"`
	NewCup  bool        `json:"new_cup,omitempty"`
	Parts   []Component `json:"parts"` // hardener and reducer with their goals
	Steps   []Step      `json:"steps"`
	Ratio   string      `json:"ratio"` // as it is said: "2 paint : 1 hardener : 0.5 reducer by volume"
}

// Activated is the moment the hardener went in: the pot-life clock starts.
type Activated struct{}

// Finished closes the batch. Kept is what stays in a tin, unactivated.
type Finished struct {
	Kept gram.Mass `json:"kept,omitempty"`
	Note string    `json:"note,omitempty"`
}

// Abandoned gives the batch up; what is in the cup is thrown away.
type Abandoned struct {
	Why       string    `json:"why"`
	Discarded gram.Mass `json:"discarded"`
}

func (Planned) Kind() Kind      { return KindPlanned }
func (CupPlaced) Kind() Kind    { return KindCupPlaced }
func (Poured) Kind() Kind       { return KindPoured }
func (Held) Kind() Kind         { return KindHeld }
func (LiftedOut) Kind() Kind    { return KindLiftedOut }
func (Reattributed) Kind() Kind { return KindReattributed }
func (Corrected) Kind() Kind    { return KindCorrected }
func (TakenBack) Kind() Kind    { return KindTakenBack }
func (Stirred) Kind() Kind      { return KindStirred }
func (Drawn) Kind() Kind        { return KindDrawn }
func (PouredOff) Kind() Kind    { return KindPouredOff }
func (Moved) Kind() Kind        { return KindMoved }
func (Rezeroed) Kind() Kind     { return KindRezeroed }
func (Found) Kind() Kind        { return KindFound }
func (Shaken) Kind() Kind       { return KindShaken }
func (TakenOver) Kind() Kind    { return KindTakenOver }
func (Activated) Kind() Kind    { return KindActivated }
func (Reduced) Kind() Kind      { return KindReduced }
func (Finished) Kind() Kind     { return KindFinished }
func (Abandoned) Kind() Kind    { return KindAbandoned }

func (Planned) version() int      { return 1 }
func (CupPlaced) version() int    { return 1 }
func (Poured) version() int       { return 1 }
func (Held) version() int         { return 1 }
func (LiftedOut) version() int    { return 1 }
func (Reattributed) version() int { return 1 }
func (Corrected) version() int    { return 1 }
func (TakenBack) version() int    { return 1 }
func (Stirred) version() int      { return 1 }
func (Drawn) version() int        { return 1 }
func (PouredOff) version() int    { return 1 }
func (Moved) version() int        { return 1 }
func (Rezeroed) version() int     { return 1 }
func (Found) version() int        { return 1 }
func (Shaken) version() int       { return 1 }
func (TakenOver) version() int    { return 1 }
func (Activated) version() int    { return 1 }
func (Reduced) version() int      { return 1 }
func (Finished) version() int     { return 1 }
func (Abandoned) version() int    { return 1 }

// Encode returns what a store keeps of a body: its kind, its version and JSON.
func Encode(b Body) (Kind, int, []byte, error) {
	data, err := json.Marshal(b)
	if err != nil {
		return "", 0, nil, fmt.Errorf("pour: encode %s: %w", b.Kind(), err)
	}
	return b.Kind(), b.version(), data, nil
}

// decoders holds, for each kind, one reader per released version, oldest first. A reader of an older version
// returns the present type: that is where an old event is brought up to date.
var decoders = map[Kind][]func([]byte) (Body, error){
	KindPlanned:      {decode[Planned]},
	KindCupPlaced:    {decode[CupPlaced]},
	KindPoured:       {decode[Poured]},
	KindHeld:         {decode[Held]},
	KindLiftedOut:    {decode[LiftedOut]},
	KindReattributed: {decode[Reattributed]},
	KindCorrected:    {decode[Corrected]},
	KindTakenBack:    {decode[TakenBack]},
	KindStirred:      {decode[Stirred]},
	KindDrawn:        {decode[Drawn]},
	KindPouredOff:    {decode[PouredOff]},
	KindMoved:        {decode[Moved]},
	KindRezeroed:     {decode[Rezeroed]},
	KindFound:        {decode[Found]},
	KindShaken:       {decode[Shaken]},
	KindTakenOver:    {decode[TakenOver]},
	KindActivated:    {decode[Activated]},
	KindReduced:      {decode[Reduced]},
	KindFinished:     {decode[Finished]},
	KindAbandoned:    {decode[Abandoned]},
}

func decode[T Body](data []byte) (Body, error) {
	var body T
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields() // a field nobody knows means a newer program wrote it: better to stop than to lose it
	if err := d.Decode(&body); err != nil {
		return nil, err
	}
	return body, nil
}

// Decode reads back what Encode made, of this or any earlier version.
func Decode(k Kind, version int, data []byte) (Body, error) {
	versions, ok := decoders[k]
	if !ok || version < 1 || version > len(versions) {
		return nil, fmt.Errorf("pour: event %s version %d is from a newer Pourbook", k, version)
	}
	body, err := versions[version-1](data)
	if err != nil {
		return nil, fmt.Errorf("pour: decode %s: %w", k, err)
	}
	return body, nil
}
