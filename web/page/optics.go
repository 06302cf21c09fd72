package page

// Optics is the form of what light does in a toner.
type Optics struct {
	Chrome
	Name, Swatch string
	Back, Action string
	Summary      string
	Data, Source Input
	Invented     bool
	Masstone     string
	MasstoneHex  string
	Spectra      *Spectra
}
