package page

import "strconv"

// CardForm is the form on which a spray-out card is logged or changed, cut into steps of one decision each.
type CardForm struct {
	Chrome
	Back, BackLabel string
	Title, Sub      string
	Heading         string
	Action          string
	Draft           string // under which the script keeps what was typed; empty on a form that came back
	Summary         string // of what is wrong
	Opened          string
	Sections        []CardSection

	Drawings  Pick // empty where there is nothing to choose
	By        Input
	Coats     Pick
	Cleared   Pick
	Dry       Pick
	NotFinal  string
	Words     []Input // undercoat and size
	Gun       []Input
	Reduction Input
	GunNote   string

	Steps        []CardStepForm
	StepsProblem string
	Chosen       string
	NoneChosen   bool

	Lights   []CardLight
	EyeWrong string

	Readings      []CardReadingForm
	Spectrum      Input // the spectrum as it was pasted
	SpectrumAs    Pick
	SpectrumAt    Pick
	Target        string // the target's L*a*b* in words
	TargetNote    string
	ReadingsWrong string

	Photo        string // number of a photograph that is kept already
	PhotoSrc     string
	PhotoNote    string
	PhotoProblem string
	Notes        Input

	Decisions       []CardDecision
	DecisionProblem string
	Submit          string
}

// CardSection is one step of the form.
type CardSection struct {
	ID, Label string
	Wrong     bool
}

// CardStepForm is one field of a stepped panel.
type CardStepForm struct {
	No       int
	Label    string
	Words    []PickOption
	Own      string
	Chosen   bool
	Problem  string
	Describe string
}

// CardLight is what was seen under one light.
type CardLight struct {
	ID, Name, Hint string
	Sides          []CardSide
}

// CardSide is what was seen from one side.
type CardSide struct {
	Name, Field string
	Used        bool
	Words       string
	Problem     string
	Axes        []CardAxis
}

// CardAxis is one way in which a card may be off.
type CardAxis struct {
	Field, Less, More string
	Steps             []CardAxisStep
}

// CardAxisStep is one of the seven steps of an axis. Size is how far it is from a match, 0 to 3.
type CardAxisStep struct {
	Value, Word string
	Size        int
	Chosen      bool
}

// CardReadingForm is one row of an instrument's figures.
type CardReadingForm struct {
	ID, Label string
	Figures   []CardFigure
	Problem   string
	Result    CardResult
}

// CardFigure is one of the three numbers of a reading.
type CardFigure struct{ Field, Label, Value string }

// CardResult is how far a reading is from the target, and who would see it.
type CardResult struct{ ID, DeltaE, Word string }

// CardDecision is one of the choices.
type CardDecision struct {
	Value, Shape, Title, Why string
	Chosen                   bool
}

// Card is one card as a record.
type Card struct {
	Chrome
	Heading             string
	Formula, FormulaRef string
	WallRef             string
	BatchRef, BatchWord string
	Decision            string
	Shape               string
	NotFinal            string
	Drawing             CardDrawing
	Beside              []CardSwatch
	SwatchNote          string
	Sides               []string
	Verdicts            []CardVerdictRow
	Steps               []CardStepRow
	Readings            []CardReadingRow
	ReadingsNote        string
	Compared            bool // the readings stand against a target
	Spectra             *Spectra
	MatchRef            string
	VariantRef          string
	Promise             string // what a tint was predicted to come to, and what it came to
	Facts               []CardFact
	Notes               []string
	PhotoSrc            string
	Saved               string
	History             []CardSaveRow
	EditRef, TintRef    string
	Label               CardLabel
	Forget              string // drafts of this batch are done with
}

// CardSwatch is one half of a split swatch.
type CardSwatch struct{ Hex, Name, Figures string }

// CardVerdictRow is what was seen under one light, side by side.
type CardVerdictRow struct {
	Light string
	Words []string
}

// CardStepRow is one field of a stepped panel as it was judged.
type CardStepRow struct {
	Coats, Word string
	Chosen      bool
}

// CardReadingRow is one reading of the record.
type CardReadingRow struct{ Geometry, L, A, B, DeltaE, Word string }

// CardFact is one thing that is known about a card.
type CardFact struct{ Name, Value string }

// CardSaveRow is one state in which a card was saved.
type CardSaveRow struct{ At, By, What string }

// CardLabel is printed for the back of the panel.
type CardLabel struct{ Number, Formula, Code, Line, Small string }

// CardDrawing is a panel as it is drawn: its colour, the target beside it if there is one to compare with,
// and the fields of a stepped panel.
type CardDrawing struct {
	Fill, Target string
	Steps        []CardDrawingStep
	Label        string
}

// CardDrawingStep is one field of a stepped panel. Coats says how high it stands.
type CardDrawingStep struct {
	Coats  int
	Chosen bool
}

// CardTile is one card on the wall.
type CardTile struct {
	Href, Number    string
	Drawing         CardDrawing
	Shape, Decision string
	NotFinal        string
	DeltaE          string
	Meta            string
	Of              string // which member of the family it is of, where that is not said already
}

// CardGroup is the cards of one family.
type CardGroup struct {
	Title, Coat, Href, Swatch string
	Tiles                     []CardTile
}

// CardWall is every card of a family.
type CardWall struct {
	Chrome
	Title, FormulaRef string
	Sub               string
	Tiles             []CardTile
	MixRef            string
}

// CardRoom is the latest cards of the shop.
type CardRoom struct {
	Chrome
	Groups       []CardGroup
	Older, Newer string
}

// The panel in its drawing, in units of the picture.
const (
	panelLeft, panelTop     = 8, 8
	panelWidth, panelHeight = 184, 96
	panelStairs             = 20
)

type panelBar struct{ x, y, w, h int }

// bars returns where the fields of a stepped panel stand: each mid coat more is one stair up.
func (d CardDrawing) bars() []panelBar {
	n := len(d.Steps)
	bars := make([]panelBar, n)
	for i, s := range d.Steps {
		left := panelLeft + panelWidth*i/n
		height := panelHeight - panelStairs*(4-min(max(s.Coats, 1), 4))
		bars[i] = panelBar{left, panelTop + panelHeight - height, panelLeft + panelWidth*(i+1)/n - left, height}
	}
	return bars
}

// split returns the width of the panel that the card takes; the target has the rest.
func (d CardDrawing) split() int {
	if d.Target == "" {
		return panelWidth
	}
	return panelWidth * 5 / 8
}

func px(n int) string { return strconv.Itoa(n) }
