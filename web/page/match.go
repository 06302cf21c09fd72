package page

// Match asks for a colour to find.
type Match struct {
	Chrome
	Summary    string
	Spectrum   Input
	SpectrumAs Pick
	SpectrumAt Pick
	Figures    []Input // L*, a*, b* where there is no spectrum
	System     Pick
	Most       Pick
}

// MatchFound is a search under way or done.
type MatchFound struct {
	Chrome
	Heading, Sub string
	Hex          string
	Running      bool
	Done, Total  int
	Progress     string
	Stream, Stop string
	Closest      []MatchBook
	ClosestNote  string
	New          []MatchNew
	NewNote      string
	Sources      string
	MayKeep      bool
}

// MatchBook is a formula of the book that comes close.
type MatchBook struct{ Href, Title, Swatch, DeltaE, Word, Of string }

// MatchNew is a formula made of the shelf's toners.
type MatchNew struct {
	Title      string
	Parts      []TintAdd
	Lamps      []LampRow
	Metamerism string
	Cost       string
	KeepRef    string
	Spectra    *Spectra
}
