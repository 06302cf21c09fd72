package page

// Records lists batches.
type Records struct {
	Chrome
	Text    string
	Batches []BatchRow
	Next    string
}

// Shop is what a shop may change.
type Shop struct {
	Chrome
	Name, Currency           string
	Limit, Tolerance         string
	CupCost, Minute          string
	Division, Max            string
	HighFrom, HighDivision   string
	Typed, Pretend, Saved    bool
	Locked                   bool
	ScaleName, ScaleDivision string
	Cups                     []ShopCup
	Problems                 map[string]string
}

// ShopCup is one cup of the shop as it is typed.
type ShopCup struct{ Name, Brim, Empty string }
