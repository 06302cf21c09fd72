package page

// Pour is the screen of one cup.
type Pour struct {
	Chrome
	Batch    string
	Title    string // of the formula
	Job      string
	Asked    string
	Position string // "4 of 6"
	Need     string
	Holder   bool // this tablet pours
	Other    string
	Seen     int
	Epoch    int
	Typed    bool
	OnScale  bool // this batch's cup is the one on the scale
	Pretend  bool
	CheckDue string // why the scale is to be checked first
	Cup      Cup
	Live     Live

	Step      Step
	Choice    Choice
	Lift      Lift
	PourOff   Facts
	Hub       Hub
	Ended     Ended
	CupNames  []CupChoice
	Moving    string // while a bigger cup is fetched: "" or its name
	Stir      string // why to stir now
	Undo      string // what taking back would undo, empty: nothing
	UndoEvent string
	Cautions  []string
}

// Step is the pour under way.
type Step struct {
	No, Attempt int
	Name        string
	Swatch      string
	Aim         string
	Stop        string
	Within      string
	Why         string // "top up", "tint"
	Then        string // "then Ochre 6.4, Soot 1.3"
	Next        string // what the button says when it is enough: "Next: Ochre"
	Flake       string // "Shaken? Last at 09:10."
	FlakeKey    string
	Hazard      string
	MayName     bool // "Wrong toner" makes sense
	Before      string
	BeforeUndo  string
	Key         string
}

// Live is what the scale shows just now, as words; the stream sends it as JSON.
type Live struct {
	Serial  uint64  `json:"serial"`
	Reads   string  `json:"reads"`
	Left    string  `json:"left"`
	Zone    string  `json:"zone"`
	Word    string  `json:"word"`
	Enough  bool    `json:"enough"`
	Moving  bool    `json:"moving"`
	Net     string  `json:"net"`
	Level   float64 `json:"level"`
	Mag     float64 `json:"mag"`
	Grace   float64 `json:"grace"`
	Drip    bool    `json:"drip"`
	Confirm bool    `json:"confirm"`
	Trouble string  `json:"trouble"`
	Lost    bool    `json:"lost"`
	Near    float64 `json:"near"`   // 0 far from the stop, 1 at it
	Middle  bool    `json:"middle"` // the bench shakes, and the middle of its readings may be booked
	Ask     *Ask    `json:"ask"`
}

// Choice is the screen after an overshoot.
type Choice struct {
	Heading string
	Sub     string
	Options []Option
	Others  []Option
}

// Option is one way to go on.
type Option struct {
	Key, Title, Why     string
	Amount, AmountLabel string
	Match               string
	MatchDetail         string
	Cost                string
	Recommended         bool
}

// Lift is what to do while paint is lifted out.
type Lift struct {
	Name, By, Target string
}

// Facts is a heading with a line and one figure.
type Facts struct {
	Figure, Label, Target string
}

// CupChoice is a cup of the shop.
type CupChoice struct {
	Value, Name, Detail string
	Chosen              bool
}

// Hub is the full, stirred cup: what can be done with it.
type Hub struct {
	Grams, Millilitres string
	Worst              string // how near the formula it is, in words
	Drawn              string
	HeldBack           string // "Soot 0.4 g, Rook 1.1 g"
	Cards              []HubCard
	MayTint            bool
	MayReduce          bool
	Reduced            string // the ratio in words when it is reduced
	PotLife            string // "Usable until 14:20"
	PotLifeEnds        int64  // Unix seconds, 0: no clock
	Primary            string // href of the thing to do next
	PrimaryLabel       string
	Primary2           string
}

// HubCard is a card sprayed from this cup.
type HubCard struct {
	Href, Number, Word string
}

// Ended is the record of a finished or abandoned batch.
type Ended struct {
	Heading, Sub string
	Rows         []PouredRow
	Total        string
	Log          []LogLine
	Again        string // href
	Thrown       string
	Finished     bool
	Checked      string // how the scale had been checked
	FormulaHref  string
	Next         string // the batch that replaced it
}

// PouredRow is one component as planned and as poured.
type PouredRow struct {
	Swatch, Name, Planned, Poured, Share, Off string
	Foreign                                   bool
}

// LogLine is one event in words.
type LogLine struct {
	At, By, What string
	Undone       bool
}

func (l Live) caption() string {
	if l.Zone == "over" {
		return "grams over"
	}
	return "grams still to pour"
}

func (l Live) goLabel(next string) string {
	if l.Zone == "over" {
		return "Over: how to go on"
	}
	return next
}

func keyName(k string) string {
	switch k {
	case "⌫":
		return "delete the last digit"
	case ".":
		return "decimal point"
	}
	return k
}
