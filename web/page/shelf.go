package page

// Shelf is the list of toners.
type Shelf struct {
	Chrome
	Query   string
	System  Pick
	Missing bool // toners that are not stocked are shown too
	Blank   bool
	Count   string
	Groups  []ShelfGroup
}

// ShelfGroup is a paint system with its toners.
type ShelfGroup struct {
	System string
	Rows   []ShelfRow
}

// ShelfRow is a toner in the list.
type ShelfRow struct {
	Href, Swatch, Name, Code string
	Kind                     string // "flake, strong"
	Density, Price           string
	State                    string // "not stocked", "superseded by Soot 2, 1.05 g for each gram"
	Gone                     bool
}

// Toner is the form of one toner.
type Toner struct {
	Chrome
	Heading string
	Sub     string // "in 12 formulas"
	Action  string
	Summary string
	Saved   bool
	Swatch  string

	Name, Code  Input
	System      Input
	Systems     []string
	SystemFixed string
	Kind        Pick
	Strength    Pick
	Density     Input
	Price       Input
	Tint        Input
	Hazard      Input
	Sheet       Input
	SheetHref   string
	ColourHref  string // of its colour data; empty for a new toner
	WetFirst    bool
	Stocked     bool
	By, Factor  Input
}
