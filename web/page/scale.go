package page

// ScaleSet is the set-up page of the scale.
type ScaleSet struct {
	Chrome
	Name     string
	Now      ScaleNow
	Typed    bool
	Pretend  bool
	Fixed    bool // named when the program was started
	MayCheck bool
	MaySet   bool
	Saved    string
	Problem  string
	Tried    string
	Lines    []HeardLine // what was heard while listening

	Kinds       []PickOption
	Path        Input
	Ports       []string
	USB         Pick
	USBProblem  string
	Baud        Input
	Bits        Pick
	Parity      Pick
	Family      Pick
	Unit        Input
	Line        Input
	Stable      Input
	Moving      Input
	Decimals    Input
	Ask         Input
	Every       Input
	Sample      Input
	Division    Input
	Max         Input
	HighFrom    Input
	HighDivided Input

	Weight  Input
	Emptied string // what the scale read without the weight; "" before
	Due     string // why a check is asked for
	Checked []CheckRow
}

// ScaleNow is what the scale shows just now.
type ScaleNow struct {
	Raw   string      `json:"raw"`
	Says  string      `json:"says"`
	Age   string      `json:"age"`
	Lost  string      `json:"lost"` // why nothing arrives, "" while something does
	Lines []HeardLine `json:"lines"`
}

// HeardLine is one thing that the scale sent.
type HeardLine struct {
	Raw  string `json:"raw"`
	Says string `json:"says"`
}

// CheckRow is one check of the scale.
type CheckRow struct {
	At, By, Scale, Known, Read, Off, Word string
}
