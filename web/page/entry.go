package page

// Entry is the form in which a formula, a revision or a variant is typed.
type Entry struct {
	Chrome
	Heading string
	Sub     string
	Action  string
	Cancel  string
	Submit  string // "Keep this formula"
	Summary string // why the form came back
	NoShelf bool   // there is no toner at all yet

	Names  []Input // name, code, alternate, years, tags: what this form asks of them
	Layer  []Pick  // coat and finish
	System Pick    // empty options where it is fixed
	Fixed  string  // the paint system, where it is fixed
	Reason *Input  // of a variant

	Lines *EntryLines // nil where only the heading is edited
	Prose []Input     // notes, the revision's note
	Tint  *Input      // the swatch

	Reduction *EntryReduction
}

// EntryLines is the list that is typed.
type EntryLines struct {
	Basis   Pick
	Rows    []EntryRow
	Total   Input
	Problem string // of the list as a whole
	Sum     string
	Amount  string // "Grams", "Per cent": what is typed
	Paste   string // what was pasted, kept
	Pasting string // what is wrong with it
	Fixed   bool   // order of pouring
}

// EntryRow is one line of the list.
type EntryRow struct {
	No            string
	Toner, Amount string
	TonerProblem  string
	AmountProblem string
	Grams         string
	Share         string
	Running       string
}

// EntryReduction is the usual reduction.
type EntryReduction struct {
	Open    bool
	By      Pick
	Paint   Input
	Parts   []EntryPart
	PotLife Input
	Problem string
}

// EntryPart is hardener or reducer.
type EntryPart struct {
	Legend string
	Name   Input
	Parts  Input
	Dense  Input
}
