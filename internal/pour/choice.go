package pour

// Choice is a way to go on after an overshoot or a wrong toner. The words are those of the calculators.
type Choice string

// The choices.
const (
	CarryOn    Choice = "carry_on"    // Carry on as it is
	LeastPaint Choice = "least_paint" // Top up a little at the end
	Exact      Choice = "exact"       // Scale the rest up
	LiftOut    Choice = "lift_out"    // Lift it out
	PourOff    Choice = "pour_off"    // Stir, pour off, top up
	BiggerCup  Choice = "bigger_cup"  // Use a bigger cup
	StartAgain Choice = "start_again" // Start again
	FitCup     Choice = "fit_cup"     // Fill the cup as well as it goes

	// Decisions that are not about an overshoot.
	Tint    Choice = "tint"     // additions after a card
	BringUp Choice = "bring_up" // what was held back
)

// Title returns the choice as the screen says it.
func (c Choice) Title() string {
	switch c {
	case CarryOn:
		return "Carry on as it is"
	case LeastPaint:
		return "Top up a little at the end"
	case Exact:
		return "Scale the rest up"
	case LiftOut:
		return "Lift it out"
	case PourOff:
		return "Stir, pour off, top up"
	case BiggerCup:
		return "Use a bigger cup"
	case StartAgain:
		return "Start again"
	case FitCup:
		return "Fill the cup as well as it goes"
	case Tint:
		return "Tint"
	case BringUp:
		return "Bring up what was held back"
	}
	return string(c)
}
