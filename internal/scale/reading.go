// The next of the four files of one pour is internal/bench/live.go, which takes a Reading and asks what it means.

// Package scale holds the scales of the shop: what a device shows becomes a Reading, whatever the device is.
//
// It promises that every kind of scale (serial, USB, typed by hand, pretend) is read through the one interface
// Scale and passes one shared set of tests; that a Reading is what the display shows, gross, never a number
// found by guessing; and that no scale is ever zeroed or tared by the program.
// It knows masses only: cups, toners and targets belong to the packages above it.
//
// Start at Reading and Scale. The kinds are Serial (serial.go, its lines in frame.go and pattern.go), HID (hid.go,
// descriptor.go), Keypad (keypad.go) and Pretend (pretend.go, hand.go). Steady (stable.go) judges rest.
//
// Left out: HID on systems other than Linux, the hardware lines of a serial port, and whether a device says that it
// is tared: a tare shows as a fall of the reading.
package scale

import (
	"context"
	"errors"
	"fmt"
	"time"

	"pourbook/internal/gram"
)

// Reading is one thing that a scale has shown.
type Reading struct {
	Serial uint64    // counts up by one per reading of one device since it was opened; a tap names a reading by it
	Mass   gram.Mass // gross, what the display shows, cup included; counts only while Status is OK
	Stable bool      // the device says so, or Steady has judged it where the device does not say
	At     time.Time // when it arrived
	Status Status
	Raw    string // what the device sent, for the set-up page
}

// Status says whether a Reading's mass can be used, and if not why not.
type Status uint8

// The states of a scale. The zero value is no state at all, so that an empty Reading is never taken for a weight.
const (
	OK        Status = iota + 1
	Overload         // more on it than it can carry: no mass, stop the pour
	Underload        // under zero further than it can show, or with no size given: no mass
	Asleep           // connected and silent: no mass, wake the display
	WrongUnit        // it shows another unit than grams: Mass is converted where it can be, else 0, and is no pour
	Fault            // it asks for calibration, for a fresh zero, or reports an error: no mass
)

// String returns the state in the words of the bench.
func (s Status) String() string {
	switch s {
	case OK:
		return "ready"
	case Overload:
		return "overloaded"
	case Underload:
		return "under zero"
	case Asleep:
		return "asleep"
	case WrongUnit:
		return "not in grams"
	case Fault:
		return "fault"
	}
	return fmt.Sprintf("unknown state %d", uint8(s))
}

// Scale is a device that shows masses.
type Scale interface {
	// Read calls each for every reading until ctx ends or the device fails, and returns why it ended:
	// ctx.Err(), or an error that wraps ErrGone or ErrClosed. It calls each from one goroutine, in order, and
	// never after it has returned. After ErrGone it may be called again; Serial goes on from where it was.
	// One Read at a time: a second gets ErrBusy.
	Read(ctx context.Context, each func(Reading)) error

	// Balance returns what the device can show and carry.
	Balance() gram.Balance

	// Close lets go of the device and ends Read. Closing twice is allowed and returns nil.
	Close() error
}

// The ways in which reading ends or cannot begin.
var (
	ErrGone   = errors.New("the scale does not answer: check its plug, its cable and its switch; the paint in the cup is still counted")
	ErrClosed = errors.New("the scale has been let go of: choose it again on the set-up page")
	ErrBusy   = errors.New("the scale is already being read: close the other page or program that reads it")
)
