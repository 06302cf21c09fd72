package page

// Tint asks what is added.
type Tint struct {
	Aside
	Contents        string
	Formula, Others []TonerChoice
	Rows            []TintRow
	Advice          TintAdvice
}

// TintRow is one addition.
type TintRow struct {
	Toner, Grams string
}

// TintAdvice is what the last card of a cup asks for, as far as that is known.
type TintAdvice struct {
	Card    string // which card it starts from
	Before  []LampRow
	Notes   []string // what makes it less sure
	Unknown string   // why there is none, and what would bring it
	DoRef   string   // where that is done
	DoLabel string
	Ways    []TintWay
	Eye     *TintWay // a cautious first step from a judgement by eye
	Sources string
}

// TintWay is one suggestion: what to add, and what comes of it.
type TintWay struct {
	Title string
	Adds  []TintAdd
	Why   string
	Total string
	Lamps []LampRow
	Plane *Plane
	First bool
}

// TintAdd is one toner of a suggestion.
type TintAdd struct{ ID, Name, Grams string }
