package card

// Light is what a card was judged under.
type Light string

// The lights.
const (
	Daylight Light = "daylight"
	Tungsten Light = "tungsten"
	Tube     Light = "tube or LED"
)

// Lights lists them in the order of a form.
var Lights = []Light{Daylight, Tungsten, Tube}

// Side is where one looks from: face is straight on, flop is along the panel.
type Side string

// The sides.
const (
	Face Side = "face"
	Flop Side = "flop"
)

// Sides lists both.
var Sides = []Side{Face, Flop}

// Axis is one way in which a card can be off.
type Axis struct {
	Less, More string
}

// Axes lists how a card may differ from its target, each from one end to the other.
var Axes = []Axis{
	{"darker", "lighter"},
	{"greener", "redder"},
	{"bluer", "yellower"},
	{"greyer", "cleaner"},
	{"finer", "coarser"},
}

// Verdict is what the eye said under one light from one side. Off holds a step from -3 to 3 for each of Axes;
// all zero is a match.
type Verdict struct {
	Light Light
	Side  Side
	Off   [5]int
}

var amounts = [4]string{"", "a trace ", "", "much "}

// String returns the verdict in words: "a trace redder, darker" or "match".
func (v Verdict) String() string {
	text := ""
	for i, step := range v.Off {
		if step == 0 || step < -3 || step > 3 {
			continue
		}
		word, size := Axes[i].More, step
		if step < 0 {
			word, size = Axes[i].Less, -step
		}
		if text != "" {
			text += ", "
		}
		text += amounts[size] + word
	}
	if text == "" {
		return "match"
	}
	return text
}
