package page

// Import is the page on which a file of formulas or toners is looked over before it is taken.
type Import struct {
	Chrome
	Heading string
	Sub     string
	Columns string // the names of the columns
	Action  string
	Cancel  string
	Text    string
	Example string // one that can be copied
	Problem string // of the file as a whole
	Seen    *ImportSeen
}

// ImportSeen is what was found in the file.
type ImportSeen struct {
	Heading string // "48 formulas, ready to import"
	Sub     string // "UTF-8, semicolons, decimal comma"
	Ready   string // label of the button, empty where something is wrong
	Lines   []ImportLine
	Hidden  string // "952 lines without remarks are not shown."
	Items   []ImportItem
}

// ImportLine is a line of the file with what there is to say of it.
type ImportLine struct {
	Number string
	Text   string
	Word   string // "wrong", "note", "skipped", "fine"
	Says   []string
}

// ImportItem is a formula or toner that would be taken.
type ImportItem struct{ Swatch, Title, Detail string }
