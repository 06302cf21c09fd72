package scale

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
)

// Family names a way in which scales write a reading as one line of text.
//
// All are de facto forms found in the manuals of many makers, except SMA, which is the open standard SMA SCP-0499
// (Scale Manufacturers Association, 24 April 1999, modified 29 November 2005; read in restatements, not in the
// original).
type Family string

// The families, with a line of each. Own is a line that the owner describes; see Format.
const (
	Header       Family = "header"        // "ST,GS,+  123.4 g": ST at rest, US moving, OL overload
	Columns      Family = "columns"       // "+   123.56 g  ": fixed places, the unit missing while it moves
	QuestionMark Family = "question mark" // "   12.73 g    ?": a question mark while it moves
	TwoWord      Family = "two words"     // "S S     123.45 g": second word S at rest, D moving
	SMA          Family = "SMA"           // " 1GM     7.650kg ": M while it moves
	Own          Family = "own"
)

// Format says how the lines of one device are to be understood.
type Format struct {
	Family Family
	Unit   string  // of a line that names none: for Columns until one has, for Own where the line has no {unit}
	Own    Pattern // for the family Own
}

// What a line may be other than a reading.
var (
	// ErrNotAReading is returned for a line that is understood and says nothing of the load: an answer to a
	// command, a total, a blank display.
	ErrNotAReading = errors.New("this line is not a reading")
	// ErrMalformed is returned for a line that does not belong to the format as a whole. It changes nothing; many
	// of them one after the other mean that format, speed or parity are set wrong.
	ErrMalformed = errors.New("the scale sends lines in another form than was chosen: check format, speed and parity on the set-up page")
)

// Parser turns lines of one format into readings. What a line means depends on that line alone, and for Columns on
// the unit of the line before. It is not safe for concurrent use.
type Parser struct {
	parse   func(line string) (frame, error)
	flagged bool
	carried unit
}

// NewParser returns the parser of a format. A format that cannot be understood returns an error.
func NewParser(f Format) (*Parser, error) {
	p := &Parser{flagged: true}
	if f.Unit != "" {
		p.carried = unitNamed(f.Unit)
		if p.carried.nano == 0 {
			return nil, fmt.Errorf("%q is not a unit of mass: choose g or kg", f.Unit)
		}
	}
	switch f.Family {
	case Header:
		p.parse = parseHeader
	case Columns:
		p.parse = parseColumns
	case QuestionMark:
		p.parse = parseQuestionMark
	case TwoWord:
		p.parse = parseTwoWord
	case SMA:
		p.parse = parseSMA
	case Own:
		own, err := f.Own.compile()
		if err != nil {
			return nil, err
		}
		if p.carried.nano == 0 && !own.hasUnit {
			return nil, errors.New("neither the line nor the set-up says what unit the number is in: choose one")
		}
		p.parse, p.flagged = own.parse, own.flagged
	default:
		return nil, fmt.Errorf("%q is not a form of line: choose one from the list", f.Family)
	}
	return p, nil
}

// Flagged reports whether the lines themselves say if the load is at rest. Where they do not, no reading is Stable,
// and JudgeStable has to find out.
func (p *Parser) Flagged() bool { return p.flagged }

// Line returns what one line, without its ending, says. The Reading has no Serial and no At yet.
// The error is ErrNotAReading or ErrMalformed.
func (p *Parser) Line(line []byte) (Reading, error) {
	f, err := p.parse(string(line))
	if err != nil {
		return Reading{}, err
	}
	r := f.reading(p.carried)
	if f.value && f.unit.nano != 0 {
		p.carried = f.unit
	}
	r.Raw = printable(line)
	return r, nil
}

// A frame is what a line or a report says, before it is a Reading.
type frame struct {
	status   Status // OK where there is a number
	stable   bool
	value    bool
	count    int64
	exponent int
	unit     unit // of the number; its name is empty where the line has none
}

// reading works the number out. carried is the unit of a line that names none.
func (f frame) reading(carried unit) Reading {
	if !f.value {
		return Reading{Status: f.status}
	}
	u := f.unit
	if u.name == "" {
		u = carried
	}
	if u.nano == 0 {
		// Pieces, per cent, or a unit that nobody has named: a number under it must not pass for grams.
		return Reading{Status: WrongUnit}
	}
	m, ok := u.mass(f.count, f.exponent)
	switch {
	case !ok:
		return Reading{Status: Fault}
	case !u.metric:
		return Reading{Status: WrongUnit, Mass: m, Stable: f.stable}
	}
	return Reading{Status: OK, Mass: m, Stable: f.stable}
}

// number makes a frame of the parts of a number; sign may be blank.
func number(sign, digits, unitName string, stable bool) (frame, error) {
	count, exponent, ok := decimal(digits)
	if !ok {
		return frame{}, ErrMalformed
	}
	if sign == "-" {
		count = -count
	}
	f := frame{status: OK, stable: stable, value: true, count: count, exponent: exponent}
	if unitName != "" {
		f.unit = unitNamed(unitName)
	}
	return f, nil
}

var (
	headerNumber   = regexp.MustCompile(`^(ST|US|QT)(?:,(GS|NT|TR))?,([+-]) *([0-9][0-9.,]*) *([A-Za-z%]{0,5})$`)
	headerOverload = regexp.MustCompile(`^OL(?:,(?:GS|NT|TR))?(?:,([+-])[-+0-9A-Za-z., ]*)?$`)
)

// parseHeader: head [, mode] , sign digits unit.
func parseHeader(line string) (frame, error) {
	if line == "" {
		return frame{}, ErrNotAReading
	}
	// An overload may carry a number that means nothing.
	if m := headerOverload.FindStringSubmatch(line); m != nil {
		if m[1] == "-" {
			return frame{status: Underload}, nil
		}
		return frame{status: Overload}, nil
	}
	m := headerNumber.FindStringSubmatch(line)
	if m == nil {
		return frame{}, ErrMalformed
	}
	f, err := number(m[3], m[4], m[5], m[1] != "US")
	switch {
	case err != nil:
		return frame{}, err
	case m[2] == "TR":
		return frame{}, ErrNotAReading
	case m[5] == "":
		// This family always names its unit, so a line without one has lost its end.
		f.unit = unit{name: "none"}
	}
	return f, nil
}

var (
	columnsCode   = regexp.MustCompile(`^[A-Za-z0-9 ]{6}$`)
	columnsUnit   = regexp.MustCompile(`^([A-Za-z%]{1,3}) *$`)
	columnsErrNum = regexp.MustCompile(`^Err ?[0-9]{1,3}$`)
)

// parseColumns: 1 sign, 2–10 number to the right, 11 blank, 12–14 unit; or the same behind a code of 6.
func parseColumns(line string) (frame, error) {
	const short, code = 14, 6
	switch len(line) {
	case 0:
		return frame{}, ErrNotAReading
	case short:
	case code + short:
		if !columnsCode.MatchString(line[:code]) {
			return frame{}, ErrMalformed
		}
		line = line[code:]
	default:
		return frame{}, ErrMalformed
	}
	switch word := strings.Trim(line, " "); {
	case word == "":
		return frame{}, ErrNotAReading
	case word == "H":
		return frame{status: Overload}, nil
	case word == "L":
		return frame{status: Underload}, nil
	case word == "C", columnsErrNum.MatchString(word):
		return frame{status: Fault}, nil
	}
	sign, digits, gap, name := line[:1], strings.TrimLeft(line[1:10], " "), line[10:11], line[11:]
	if !strings.Contains("+- ", sign) || gap != " " {
		return frame{}, ErrMalformed
	}
	if strings.Trim(name, " ") == "" {
		return number(sign, digits, "", false)
	}
	m := columnsUnit.FindStringSubmatch(name)
	if m == nil {
		return frame{}, ErrMalformed
	}
	return number(sign, digits, m[1], true)
}

var (
	questionNumber = regexp.MustCompile(`^( *([+-]?)([0-9][0-9.]*)) +([A-Za-z%]{1,5}) *(\?)? *(?: ([^ ].*))?$`)
	questionTime   = regexp.MustCompile(`^[0-9]{1,2}:[0-9]{2}(?::[0-9]{2})? *$`)
)

// parseQuestionMark: the number ends in column 10 to 12, then unit, "?" while it moves, legend.
// A line that lost its beginning is known by its columns.
func parseQuestionMark(line string) (frame, error) {
	switch line {
	case "":
		return frame{}, ErrNotAReading
	case "ES":
		return frame{status: Fault}, nil
	}
	m := questionNumber.FindStringSubmatch(line)
	if m == nil || len(m[1]) < 10 || len(m[1]) > 12 {
		return frame{}, ErrMalformed
	}
	if m[6] != "" && !questionTime.MatchString(m[6]) {
		// A total, or a weight in air or under water: not what lies on the pan.
		return frame{}, ErrNotAReading
	}
	return number(m[2], m[3], m[4], m[5] == "")
}

var (
	twoWordNumber   = regexp.MustCompile(`^(?:S|SI|SIR) ([SD]) +(-?)([0-9][0-9.]*) +([A-Za-z%]{1,5})$`)
	twoWordCompound = regexp.MustCompile(`^(?:S|SI|SIR) ([SD]) +(-?)([0-9]{1,3}):([0-9]{2})(?:\.([0-9]{1,2}))? lb:oz$`)
	twoWordStatus   = regexp.MustCompile(`^(?:S|SI|SIR) ([-+IL])$`)
	twoWordOther    = regexp.MustCompile(`^(?:@|[A-Z]{1,4}[0-9]{0,2}) [-+A-Z](?: .*)?$`)
)

// parseTwoWord: command, state, value, unit.
func parseTwoWord(line string) (frame, error) {
	switch line {
	case "":
		return frame{}, ErrNotAReading
	case "ES", "ET", "EL":
		return frame{status: Fault}, nil
	}
	if m := twoWordNumber.FindStringSubmatch(line); m != nil {
		return number(m[2], m[3], m[4], m[1] == "S")
	}
	if m := twoWordCompound.FindStringSubmatch(line); m != nil {
		pounds, _, ok1 := decimal(m[3])
		ounces, exponent, ok2 := decimal(strings.TrimSuffix(m[4]+"."+m[5], "."))
		if !ok1 || !ok2 {
			return frame{}, ErrMalformed
		}
		sixteen := int64(16)
		for range -exponent {
			sixteen *= 10
		}
		count := pounds*sixteen + ounces
		if m[2] == "-" {
			count = -count
		}
		return frame{status: OK, stable: m[1] == "S", value: true, count: count, exponent: exponent, unit: unitOunce}, nil
	}
	if m := twoWordStatus.FindStringSubmatch(line); m != nil {
		switch m[1] {
		case "+":
			return frame{status: Overload}, nil
		case "-":
			return frame{status: Underload}, nil
		case "L":
			return frame{status: Fault}, nil
		}
		return frame{}, ErrNotAReading // busy
	}
	if twoWordOther.MatchString(line) && !strings.HasPrefix(line, "S ") && !strings.HasPrefix(line, "SI ") && !strings.HasPrefix(line, "SIR ") {
		return frame{}, ErrNotAReading
	}
	return frame{}, ErrMalformed
}

var smaLine = regexp.MustCompile(`^([ ZOUEIT])([0-9])([GNTgnt])([ M])(.)([-+0-9. ]{10})(.{3})$`)

// parseSMA: state, range, gross or net, motion, reserved, 10 of number, 3 of unit.
func parseSMA(line string) (frame, error) {
	switch line {
	case "":
		return frame{}, ErrNotAReading
	case "?":
		return frame{status: Fault}, nil
	}
	m := smaLine.FindStringSubmatch(line)
	if m == nil {
		return frame{}, ErrMalformed
	}
	state, what, motion, digits, name := m[1], m[3], m[4], strings.Trim(m[6], " "), strings.Trim(m[7], " ")
	switch state {
	case "O":
		return frame{status: Overload}, nil
	case "U":
		return frame{status: Underload}, nil
	case "E", "I", "T":
		return frame{status: Fault}, nil
	}
	if digits != "" && strings.Trim(digits, "-") == "" {
		// Dashes: it waited for rest and gave up.
		return frame{status: Fault}, nil
	}
	sign := ""
	if strings.HasPrefix(digits, "-") || strings.HasPrefix(digits, "+") {
		sign, digits = digits[:1], strings.TrimLeft(digits[1:], " ")
	}
	f, err := number(sign, digits, name, motion == " ")
	switch {
	case err != nil:
		return frame{}, err
	case what == "T" || what == "t":
		return frame{}, ErrNotAReading
	case name == "":
		f.unit = unit{name: "none"}
	}
	return f, nil
}

// printable returns a line for the set-up page, with every byte that is not plain text written as \xNN.
func printable(line []byte) string {
	var b strings.Builder
	for _, c := range line {
		if c >= ' ' && c < 0x7f {
			b.WriteByte(c)
		} else {
			fmt.Fprintf(&b, `\x%02x`, c)
		}
	}
	return b.String()
}

// lines puts together what arrives in pieces. A line ends with CR or LF, whichever comes.
type lines struct {
	buf  []byte
	skip bool // the line is too long, and dropped up to its end
	cut  bool // the line may have lost its beginning, and is dropped unseen
}

// longest is the longest line that any family has, with room to spare; more is noise.
const longest = 64

// add takes the next piece and calls each with every line that it ends, without its ending. Empty lines, such as
// between CR and LF, are left out. What has no ending yet is kept, and never handed out. A line that was too long
// is handed out as nothing at all (nil), to be counted.
func (l *lines) add(piece []byte, each func(line []byte)) {
	for _, c := range piece {
		switch {
		case c == '\r' || c == '\n':
			switch {
			case l.cut: // nobody's fault, so it is not counted
			case l.skip:
				each(nil)
			case len(l.buf) > 0:
				each(l.buf)
			}
			l.buf, l.skip, l.cut = l.buf[:0], false, false
		case len(l.buf) == longest:
			l.skip = true
		default:
			l.buf = append(l.buf, c)
		}
	}
}
