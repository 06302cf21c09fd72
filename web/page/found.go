package page

// Ask is a change of the reading that no pour explains, with what the mixer may answer.
type Ask struct {
	No      int         `json:"no"`
	Say     string      `json:"say"`
	Answers []AskAnswer `json:"answers"`
}

// AskAnswer is one answer.
type AskAnswer struct {
	Cause string `json:"cause"`
	Label string `json:"label"`
}

func (l Live) ask() Ask {
	if l.Ask == nil {
		return Ask{}
	}
	return *l.Ask
}

// MovedCup asks which cup the paint is in now.
type MovedCup struct {
	Aside
	Question string // its number
	Clings   string
	Cups     []CupChoice
}
