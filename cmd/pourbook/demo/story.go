package demo

import (
	"bytes"
	"encoding/json"
	"fmt"

	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

// story is story.json.
type story struct {
	People []struct{ Name, Role string }
	Story  []chapter
}

// chapter is one thing that somebody did; one of its fields is set.
type chapter struct {
	Revision *revision
	Variant  *variant
	Cup      *cup
	Card     *panel
}

// ref names a formula. Coat may be empty where the code has only one.
type ref struct {
	Code, Alternate string
	Coat            formula.Coat
}

func (r ref) String() string {
	text := r.Code
	if r.Alternate != "" {
		text += ", " + r.Alternate
	}
	if r.Coat != "" {
		text += " (" + string(r.Coat) + ")"
	}
	return text
}

// recipe is how the lines of a revision come from those of another: Change multiplies, Add is grams in the
// formula's own amount, Drop takes out.
type recipe struct {
	Change map[string]float64
	Add    map[string]float64
	Drop   []string
}

type revision struct {
	Of   ref
	Days int // before the demo is opened
	By   string
	Note string
	recipe
}

type variant struct {
	Of        ref
	Days      int
	By        string
	FromCup   string `json:"from_cup"`
	Alternate string
	Reason    string
	recipe
}

type cup struct {
	Name      string
	Days      int    // before the demo is opened, at At
	At        string // "08:40"
	Minutes   int    // before the demo is opened, instead of Days and At
	By        string
	Job       string
	Of        ref
	Amount    float64
	Unit      gram.Unit
	Ready     bool               // Amount is of paint ready to spray
	Cup       float64            // millilitres
	Safe      bool               // the order that risks least paint
	HoldBack  map[string]float64 `json:"hold_back"` // toner to the part of it
	Slips     map[string]float64 // toner to what the hand multiplies its grams by
	StopAfter int                `json:"stop_after"` // pours
	Again     string             // the cup that this one replaces
	Then      []act
}

// act is what is done with a cup that is full and stirred: one field says what, Keep and Note go with it.
type act struct {
	Draw    float64            // grams, for a card
	Wait    int                // minutes
	Tint    map[string]float64 // toner to part of what is in the cup
	BringUp bool               `json:"bring_up"`
	Reduce  float64            // part of the cup
	Finish  bool
	Keep    float64 // part of the unreduced rest that goes into a tin
	Note    string
	Abandon string // why
}

// panel is a spray-out card.
type panel struct {
	Cup       string
	Draw      int     // 2: of the cup's second drawing; else of its first
	Hours     float64 // from drawing to judging
	By        string
	Coats     int
	Gun       string
	Pressure  string
	Distance  string
	Undercoat string
	Cleared   bool
	Dry       bool
	Size      string
	Notes     string
	Steps     []step
	Chosen    int
	Verdicts  []verdict
	Readings  []reading
	Decision  card.Decision
}

// step is [mid coats, word].
type step struct {
	Coats int
	Word  string
}

func (s *step) UnmarshalJSON(data []byte) error { return row(data, &s.Coats, &s.Word) }

// verdict is [light, side, five steps along card.Axes].
type verdict struct{ card.Verdict }

func (v *verdict) UnmarshalJSON(data []byte) error {
	o := &v.Off
	return row(data, &v.Light, &v.Side, &o[0], &o[1], &o[2], &o[3], &o[4])
}

// reading is [geometry, difference from the formula's colour in L, a and b].
type reading struct {
	Geometry string
	Off      colour.Lab
}

func (r *reading) UnmarshalJSON(data []byte) error {
	return row(data, &r.Geometry, &r.Off.L, &r.Off.A, &r.Off.B)
}

// row reads a JSON array with one value for each of into.
func row(data []byte, into ...any) error {
	var cells []json.RawMessage
	if err := json.Unmarshal(data, &cells); err != nil {
		return err
	}
	if len(cells) != len(into) {
		return fmt.Errorf("%s has %d values, not %d", data, len(cells), len(into))
	}
	for i, c := range cells {
		if err := json.Unmarshal(c, into[i]); err != nil {
			return err
		}
	}
	return nil
}

func readStory() (story, error) {
	var s story
	data, err := files.ReadFile("story.json")
	if err != nil {
		return s, err
	}
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&s); err != nil {
		return s, fmt.Errorf("story.json: %w", err)
	}
	return s, nil
}
