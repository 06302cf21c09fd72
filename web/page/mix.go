package page

// BenchHome is the first screen: what is being mixed and what is alive in which pot.
type BenchHome struct {
	Chrome
	Open, Ended []BatchRow
	EmptyBook   bool
}

// BatchRow is one cup in a list.
type BatchRow struct {
	Href, Title, Job, Asked, Swatch string
	State, By, When                 string
	PotLife                         string
	PotLifeEnds                     int64
	OnScale                         bool
}

// Who asks who works at this tablet.
type Who struct {
	Chrome
	People  []Person
	New     string
	Problem string
	Back    string
	Locked  bool // names take a PIN
	Joined  bool
}

// Person is somebody of the shop.
type Person struct {
	Name, Role string
	Here       bool
	Href       string // where their PIN is given; empty where a tap is enough
}

// Mix asks how much is wanted and shows whether it can be weighed.
type Mix struct {
	Chrome
	Action, ID        string
	Title, Code, Coat string
	Swatch            string
	Revision          int
	RevisionID        int64
	From, As          string
	Amount, Unit, Of  string
	Units             []UnitChoice
	Cups              []CupChoice
	Cup               string
	Job, Order, Hold  string
	Typed, MayReady   bool
	Override          bool
	NeedOverride      bool
	Strong            []string
	Problems          map[string]string
	Rows              []MixRow
	Total, Volume     string
	Sentence          string
	Weighable         bool
	Notes             []string
	WaysOut           []WayOut
	Cut               []string // cut toners in use, as the form carries them
}

// UnitChoice is a unit in a list.
type UnitChoice struct {
	Value, Label string
	Chosen       bool
}

// MixRow is one pour of the plan.
type MixRow struct {
	Swatch, Name, Grams, Running, Mark, Doubt, Why string
}

// WayOut is one way to make a batch weighable.
type WayOut struct {
	Sentence, Href, Label string
}
