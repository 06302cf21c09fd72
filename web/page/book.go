package page

// Book is the list of formulas with its search.
type Book struct {
	Chrome
	Query   string
	System  Pick
	Coat    Pick
	Finish  Pick
	Retired bool
	Blank   bool // there is not one formula in the book
	List    BookList
}

// BookList is the part of Book that is fetched again while a person types.
type BookList struct {
	Count  string // "48 formulas"
	Asked  bool   // something was searched for
	Rows   []BookRow
	Before string // addresses of the pages beside this one, empty where there is none
	After  string
}

// BookRow is a formula in the list.
type BookRow struct {
	Href     string
	Swatch   string
	Title    string
	Meta     string // code and years
	Layer    string // coat and finish
	System   string
	Revision string
	Poured   string // "poured 12 Mar"
	Tags     []string
}
