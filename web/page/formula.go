package page

// Formula is the page of one formula at one of its revisions.
type Formula struct {
	Chrome
	ID       string
	Title    string
	Swatch   string
	Meta     string // code and years
	Layer    string // "base, solid, Solvent base"
	Tags     []string
	Notes    []string // paragraphs
	Retired  bool
	Origin   *FormulaOrigin
	Revision RevisionHead

	Amount  Input
	Unit    Pick
	Shown   string // "350 ml weigh 402.5 g"
	Note    string // why the volume is not known
	Band    []BandPart
	Lines   []FormulaLine
	Total   string
	Mix     string
	Reduce  *FormulaReduction
	Beside  []BesideCard
	History []RevisionRow
	Tree    []TreeNode
	Family  bool // the tree has more than this formula
	Batches []FormulaBatch
	Cards   string // "3 cards"
}

// FormulaOrigin says where one of our variants comes from.
type FormulaOrigin struct {
	Href, Title string
	Batch       string // address of the batch it was saved from, may be empty
	Reason      string
}

// RevisionHead is the revision that is shown.
type RevisionHead struct {
	ID     string
	Name   string // "Revision 3"
	By     string // "Ada, 12 Mar 2026"
	Note   string
	Latest string // address of the latest, where this one is older
	Order  bool   // the order of pouring is fixed
}

// FormulaLine is a toner of a formula.
type FormulaLine struct {
	Swatch, Name, Code    string
	Href                  string
	Grams, Share, Running string
	Caution               string // not stocked, superseded
}

// BandPart is a toner's part of the whole, drawn to scale: X and Width in 0 to 100.
type BandPart struct {
	X, Width, Fill, Label string
}

// FormulaReduction is the usual reduction.
type FormulaReduction struct {
	Ratio string // "2 paint : 1 hardener : 0.5 reducer by volume, pot life 4 h"
	Rows  []ReductionRow
}

// ReductionRow is a part of the reduction for the amount shown.
type ReductionRow struct{ Name, Amount string }

// BesideCard is another alternate of the same code.
type BesideCard struct {
	Href, Swatch, Name, Meta string
	Here                     bool
	Compare                  string
}

// RevisionRow is a revision in the history.
type RevisionRow struct {
	Href, Name, When, Note string
	Here                   bool
	Compare                string // address, empty where there is nothing to compare with
}

// TreeNode is a formula in the family tree.
type TreeNode struct {
	Href, Swatch, Title, Why string
	Here, Retired            bool
	Compare                  string
	Children                 []TreeNode
}

// FormulaBatch is a batch that was made of it.
type FormulaBatch struct{ Href, What, When, State string }

// Compare sets two revisions side by side.
type Compare struct {
	Chrome
	A, B    CompareSide
	Amount  string // "Both for 1000.0 g"
	Rows    []CompareRow
	Verdict string // "Three toners differ."
	PickA   Pick
	PickB   Pick
}

// CompareSide is one of the two.
type CompareSide struct {
	Href, Title, Name, Swatch, Meta string
}

// CompareRow is a toner on both sides.
type CompareRow struct {
	Swatch, Name   string
	GramsA, GramsB string
	ShareA, ShareB string
	WidthA, WidthB string // 0 to 100, of the widest bar
	Change         string // "5.5 % more", "new"
	Same           bool
}
