package page

// Target asks for the measured colour that a formula is to hit.
type Target struct {
	Chrome
	Title, Back, Action string
	Summary             string
	Spectrum, Source    Input
	SpectrumAs          Pick
	SpectrumAt          Pick
	Spectra             *Spectra
}
