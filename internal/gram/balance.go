package gram

// Balance is what a scale can do, as far as arithmetic cares.
// Its Division is the smallest step of its display (d in OIML R 76-1). A scale with two ranges shows
// Division below HighFrom and HighDivision from there on, counted on the gross reading, cup included.
type Balance struct {
	Division     Mass
	HighFrom     Mass // 0: one range only
	HighDivision Mass
	Max          Mass // the most it can carry, cup included; 0: not known
}

// At returns the division that the display has at a gross reading.
func (b Balance) At(gross Mass) Mass {
	if b.HighFrom > 0 && gross >= b.HighFrom {
		return b.HighDivision
	}
	return b.Division
}
