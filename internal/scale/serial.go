package scale

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"runtime"
	"time"

	"go.bug.st/serial"

	"pourbook/internal/gram"
)

// SerialSetup says how a scale on a serial port is reached.
type SerialSetup struct {
	Path     string // "/dev/serial/by-id/…" or "COM3"
	Baud     int    // 9600 where 0
	DataBits int    // 7 or 8; 8 where 0
	Parity   Parity
	TwoStops bool
	Format   Format
	Balance  gram.Balance

	// Ask is sent to have a reading, such as "SI\r\n", or to start a stream of them, such as "SIR\r\n"; empty for a
	// scale that sends by itself. With Every it is sent again and again, else when the port is opened and whenever the
	// scale has fallen silent.
	Ask   string
	Every time.Duration
}

// Parity is how a serial line guards its characters.
type Parity string

// The parities that scales use. The empty one is ParityNone.
const (
	ParityNone Parity = "none"
	ParityEven Parity = "even"
	ParityOdd  Parity = "odd"
)

// Serial is a scale on a serial port, or on a USB plug that looks like one.
//
// It understands whole lines of the format that was chosen. What is cut off at either end of the connection is
// dropped. Nothing is sent to the scale but Ask.
type Serial struct {
	setup SerialSetup
	mode  serial.Mode
	turn  turn
	now   func() time.Time
}

const (
	serialSilence = 1500 * time.Millisecond // as long as a scale may say nothing before it counts as asleep
	tooMany       = 10                      // malformed lines one after the other that make a Fault
)

// NewSerial returns a scale on a serial port. It need not be plugged in yet: Read opens the port.
// A setup that no port or scale could have returns an error.
func NewSerial(s SerialSetup) (*Serial, error) {
	if s.Path == "" {
		return nil, errors.New("no serial port is named: choose one on the set-up page")
	}
	if s.Baud == 0 {
		s.Baud = 9600
	}
	if s.DataBits == 0 {
		s.DataBits = 8
	}
	mode := serial.Mode{BaudRate: s.Baud, DataBits: s.DataBits}
	switch s.Parity {
	case "", ParityNone:
		mode.Parity = serial.NoParity
	case ParityEven:
		mode.Parity = serial.EvenParity
	case ParityOdd:
		mode.Parity = serial.OddParity
	default:
		return nil, fmt.Errorf("%q is not a parity: choose none, even or odd", s.Parity)
	}
	if s.TwoStops {
		mode.StopBits = serial.TwoStopBits
	}
	switch {
	case s.Baud < 300 || s.Baud > 921600:
		return nil, fmt.Errorf("a serial port cannot run at %d baud: choose the speed that the scale's menu shows, such as 9600", s.Baud)
	case s.DataBits != 7 && s.DataBits != 8:
		return nil, fmt.Errorf("%d data bits are not possible: choose 7 or 8", s.DataBits)
	case s.Every < 0 || (s.Every > 0 && s.Every < 20*time.Millisecond):
		return nil, fmt.Errorf("a scale cannot be asked every %v: ask at most 50 times a second", s.Every)
	case s.Every > 0 && s.Ask == "":
		return nil, errors.New("nothing is named that the scale can be asked with: fill it in, or let the scale send by itself")
	}
	if _, err := NewParser(s.Format); err != nil {
		return nil, err
	}
	return &Serial{setup: s, mode: mode, now: time.Now}, nil
}

// Read opens the port, wherever its path leads to now, and reports every reading; see Scale.
// A scale that is silent for a second and a half gives a Reading that is Asleep, and another whenever as much time
// has gone by again. Ten malformed lines one after the other give a Fault whose Raw shows the last of them.
func (s *Serial) Read(ctx context.Context, each func(Reading)) error {
	running, give, err := s.turn.take(ctx)
	if err != nil {
		return err
	}
	defer give()
	// A fresh parser each time: nothing of before the plug was pulled may be carried over.
	parser, err := NewParser(s.setup.Format)
	if err != nil {
		return err
	}
	port, err := s.open()
	if err != nil {
		return err
	}
	// The port is only ever closed from here: closing it under a Read or a Write elsewhere frees its number for
	// another file.
	defer port.Close()

	var (
		in    = lines{cut: true}
		judge = JudgeStable(0)
		heard = s.now()
		bad   = 0
		asked time.Time
		buf   = make([]byte, 256)
		emit  = func(r Reading) {
			if ended(ctx, running) != nil {
				return
			}
			r.Serial = s.turn.next()
			each(r)
		}
	)
	for {
		if why := ended(ctx, running); why != nil {
			return why
		}
		now := s.now()
		if s.setup.Ask != "" && (asked.IsZero() || (s.setup.Every > 0 && now.Sub(asked) >= s.setup.Every)) {
			if _, err := port.Write([]byte(s.setup.Ask)); err != nil {
				return gone(err)
			}
			asked = now
		}
		n, err := port.Read(buf) // nothing and no error when it waited in vain
		if why := ended(ctx, running); why != nil {
			return why
		}
		if err != nil {
			// Unplugged, switched off, or the adapter gave up: the library does not tell, and it makes no difference.
			return gone(err)
		}
		now = s.now()
		in.add(buf[:n], func(line []byte) {
			r, err := parser.Line(line)
			switch {
			case errors.Is(err, ErrNotAReading):
				heard, bad = now, 0
				return
			case err != nil:
				if bad++; bad >= tooMany {
					heard, bad = now, 0
					emit(Reading{At: now, Status: Fault, Raw: printable(line)})
				}
				return
			}
			heard, bad = now, 0
			r.At = now
			if !parser.Flagged() {
				judge.Within = s.setup.Balance.At(r.Mass)
				_, r.Stable = judge.Add(r)
			}
			emit(r)
		})
		if now.Sub(heard) >= serialSilence {
			// It may have been switched off and on, and waits to be asked again.
			heard, asked = now, time.Time{}
			emit(Reading{At: now, Status: Asleep})
		}
	}
}

// crowded reports whether so many files are open that the next ones get numbers that the serial library's wait
// (select, 1024 files at most) cannot take: there it would panic.
func crowded() (bool, error) {
	const most, margin = 1024, 32
	if runtime.GOOS == "windows" {
		return false, nil
	}
	f, err := os.Open(os.DevNull)
	if err != nil {
		return false, err
	}
	defer f.Close()
	return f.Fd() >= most-margin, nil
}

func (s *Serial) open() (serial.Port, error) {
	if full, err := crowded(); err != nil {
		return nil, gone(err)
	} else if full {
		say := "too many connections are open to take the scale as well: close pages that nobody looks at, then wait a moment"
		return nil, &goneError{say: say, cause: errors.New("file numbers near 1024")}
	}
	port, err := serial.Open(s.setup.Path, &s.mode)
	if err != nil {
		var trouble *serial.PortError
		errors.As(err, &trouble)
		say := gone(err).Error()
		switch {
		case errors.Is(err, fs.ErrPermission) || (trouble != nil && trouble.Code() == serial.PermissionDenied):
			say = "this program may not open the port " + s.setup.Path + ": add its user to the group that owns the port (dialout on many systems) and start it again"
		case trouble != nil && trouble.Code() == serial.PortBusy:
			say = "another program reads the port " + s.setup.Path + ": close that program"
		case errors.Is(err, fs.ErrNotExist) || (trouble != nil && trouble.Code() == serial.PortNotFound):
			say = "nothing is plugged in at " + s.setup.Path + ": plug the scale in, or choose its port on the set-up page"
		}
		return nil, &goneError{say: say, cause: err}
	}
	wait := look
	if s.setup.Every > 0 {
		wait = min(wait, s.setup.Every)
	}
	if err := port.SetReadTimeout(wait); err != nil {
		port.Close()
		return nil, gone(err)
	}
	return port, nil
}

// Balance returns what was set up; the device itself does not say.
func (s *Serial) Balance() gram.Balance { return s.setup.Balance }

// Close ends Read, which lets go of the port within a moment; see Scale.
func (s *Serial) Close() error {
	s.turn.close()
	return nil
}
