package page

// Aside is the frame of a small screen beside a cup.
type Aside struct {
	Chrome
	Batch, Title, Asked, Heading string
	Seen, Epoch                  int
	Typed, Holder                bool
	Live                         Live
}

func (a Aside) asPour() Pour {
	return Pour{Chrome: a.Chrome, Batch: a.Batch, Seen: a.Seen, Epoch: a.Epoch, Typed: a.Typed, Holder: a.Holder, Live: a.Live}
}

// Other lists what is rarely needed.
type Other struct {
	Aside
	Open            string
	Step, Attempt   int
	Undo, UndoEvent string
	LastPour        string
	Placed          bool
}

// Wrong asks which toner it really was.
type Wrong struct {
	Aside
	Meant           string
	Formula, Others []TonerChoice
}

// TonerChoice is a toner to choose.
type TonerChoice struct {
	ID, Name, Swatch, Detail string
	Chosen                   bool
}

// Draw shows how to take some off for a card.
type Draw struct {
	Aside
	Reading string
	Amounts []DrawAmount
}

// DrawAmount is one usual amount: where the reading then stands, and what the reduction of it weighs.
type DrawAmount struct {
	Grams, Reading, Parts string
}

// Finish asks what is kept.
type Finish struct {
	Aside
	Left, Kept string
	Activated  bool
}

// GiveUp asks before a cup is thrown away.
type GiveUp struct {
	Aside
	Contents string
}

// Reduce asks how the cup is made ready to spray.
type Reduce struct {
	Aside
	ID                      string
	Contents                string
	Paint, By               string
	Hardener, HardenerParts string
	Reducer, ReducerParts   string
	ReducerAs               string // "parts" or what the per cent is of
	Share, Portion, Unit    string
	Of                      string
	Hardeners, Reducers     []TonerChoice
	Units                   []UnitChoice
	Problems                map[string]string
	Rows                    []ReduceRow
	Ratio, PotLife          string
	NewCup, Hardens         bool
}

// ReduceRow is one thing that goes in.
type ReduceRow struct {
	Name, Grams, Running, Millilitres string
}
