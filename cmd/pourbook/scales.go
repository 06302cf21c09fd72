package main

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"

	"pourbook/internal/bench"
	"pourbook/internal/gram"
	"pourbook/internal/scale"
	"pourbook/internal/store"
	"pourbook/web"
)

const scaleHelp = `the shop's scale; without it the one that is set up on the page of the scale
typed, pretend, hid, hid:VVVV:PPPP (USB numbers in hexadecimal),
or serial:PORT?family=FORM&baud=9600&bits=8&parity=none|even|odd&stops=1|2&ask=SIR\r\n&every=200ms&unit=g`

// scales opens the scales of this machine for the set-up page.
type scales struct {
	bench *bench.Bench
	fixed bool // -scale was given
}

// Fixed reports whether the scale was named when the program was started, so that what is saved counts from the next start.
func (s *scales) Fixed() bool { return s.fixed }

// Ports lists the serial ports that are plugged in, by names that stay the same where the system has any.
func (s *scales) Ports() []string {
	if runtime.GOOS == "windows" {
		return nil // COM numbers are typed
	}
	ports, _ := filepath.Glob("/dev/serial/by-id/*") // the patterns are constants
	if len(ports) == 0 {
		for _, pattern := range []string{"/dev/ttyUSB*", "/dev/ttyACM*", "/dev/cu.usb*"} {
			more, _ := filepath.Glob(pattern)
			ports = append(ports, more...)
		}
	}
	slices.Sort(ports)
	return ports
}

// USB lists the USB scales that are plugged in.
func (s *scales) USB() ([]web.USBScale, error) {
	found, err := scale.FindHID()
	var all []web.USBScale
	for _, f := range found {
		one := web.USBScale{Vendor: f.Vendor, Product: f.Product, Unique: f.Unique, Title: f.Title}
		if f.Err != nil {
			one.Problem = f.Err.Error()
		}
		all = append(all, one)
	}
	return all, err
}

// Check says what is wrong with a set-up, without opening anything.
func (s *scales) Check(setup store.ScaleSetup) error {
	device, _, err := buildScale(setup, setup.Balance)
	if err != nil {
		return err
	}
	return device.Close()
}

// Use goes over to a scale as it is set up. typed is what a display can show that is read off and typed.
func (s *scales) Use(setup store.ScaleSetup, typed gram.Balance) error {
	if s.fixed {
		return nil
	}
	device, name, err := buildScale(setup, typed)
	if err != nil {
		return err
	}
	return s.bench.Use(name, device)
}

// Understand says what a line means to a set-up.
func (s *scales) Understand(setup store.ScaleSetup, line string) (string, error) {
	parser, err := scale.NewParser(formatOf(setup))
	if err != nil {
		return "", err
	}
	r, err := parser.Line([]byte(unescape(line)))
	if errors.Is(err, scale.ErrNotAReading) {
		return "Understood, and it is no reading: it changes nothing.", nil
	}
	if err != nil {
		return "", errors.New("this line does not fit that form as a whole: it would change nothing")
	}
	says := "Understood: " + bench.Say(r, setup.Balance) + "."
	if !parser.Flagged() && r.Status == scale.OK {
		says = fmt.Sprintf("Understood: %s g. It does not say whether it is at rest, so that is judged from the readings.", r.Mass.Show(setup.Balance.At(r.Mass)))
	}
	return says, nil
}

// listenFor is how long a port is listened to before it is saved.
const listenFor = 4 * time.Second

// Listen opens a scale that is not in use yet and returns what it sends within a few seconds.
func (s *scales) Listen(ctx context.Context, setup store.ScaleSetup) ([]bench.Heard, error) {
	device, _, err := buildScale(setup, setup.Balance)
	if err != nil {
		return nil, err
	}
	defer device.Close()
	ctx, stop := context.WithTimeout(ctx, listenFor)
	defer stop()
	var heard []bench.Heard
	err = device.Read(ctx, func(r scale.Reading) {
		if r.Status == scale.Asleep {
			return
		}
		heard = append(heard, bench.Heard{Raw: r.Raw, Says: bench.Say(r, setup.Balance), At: r.At})
		if len(heard) >= 12 {
			stop()
		}
	})
	if ctx.Err() == nil {
		return nil, err
	}
	slices.Reverse(heard)
	return heard, nil
}

// buildScale makes the scale that a set-up names, and its name for the screens.
func buildScale(setup store.ScaleSetup, typed gram.Balance) (scale.Scale, string, error) {
	switch setup.Kind {
	case store.ScaleTyped, "":
		return scale.NewKeypad(typed), typedName, nil
	case store.ScaleHID:
		return scale.NewHID(scale.HIDSetup{Name: scale.HIDName{Vendor: setup.Vendor, Product: setup.Product, Unique: setup.Unique}, Balance: setup.Balance}), "The USB scale", nil
	case store.ScaleSerial:
		device, err := scale.NewSerial(scale.SerialSetup{
			Path: setup.Path, Baud: setup.Baud, DataBits: setup.DataBits, Parity: scale.Parity(setup.Parity), TwoStops: setup.TwoStops,
			Format: formatOf(setup), Balance: setup.Balance, Ask: setup.Ask, Every: setup.Every,
		})
		return device, "The scale at " + strings.TrimPrefix(setup.Path, "/dev/serial/by-id/"), err
	case store.ScalePretend:
		device, err := scale.NewPretend(scale.PretendSetup{Balance: setup.Balance, Hand: scale.Skilled(), Seed: 1})
		return device, "A pretend scale", err
	}
	return nil, "", fmt.Errorf("%q is no kind of scale", setup.Kind)
}

const typedName = "Readings are typed; the scale"

func formatOf(setup store.ScaleSetup) scale.Format {
	return scale.Format{
		Family: scale.Family(setup.Family), Unit: setup.Unit,
		Own: scale.Pattern{Line: setup.Line, Stable: setup.Stable, Moving: setup.Moving, Decimals: setup.Decimals},
	}
}

// unescape turns \r, \n and \xNN into the bytes that they stand for.
func unescape(text string) string {
	if said, err := strconv.Unquote(`"` + strings.ReplaceAll(text, `"`, `\"`) + `"`); err == nil {
		return said
	}
	return text
}

// parseScale reads the -scale flag. What it leaves out is as it was set up.
func parseScale(flag string, saved store.ScaleSetup, division gram.Mass) (store.ScaleSetup, error) {
	kind, rest, _ := strings.Cut(flag, ":")
	setup := store.ScaleSetup{Kind: kind, Balance: saved.Balance}
	if division > 0 {
		setup.Balance = gram.Balance{Division: division}
	} else if setup.Balance.Division == 0 {
		setup.Balance = gram.Balance{Division: 100 * gram.Milligram}
	}
	switch kind {
	case store.ScaleTyped:
	case store.ScalePretend:
		setup.Balance.Max = 7500 * gram.Gram
	case store.ScaleHID:
		if rest == "" {
			found, err := scale.FindHID()
			if err != nil {
				return setup, err
			}
			if len(found) != 1 {
				return setup, fmt.Errorf("%d USB scales are plugged in: name one as hid:VVVV:PPPP", len(found))
			}
			setup.Vendor, setup.Product, setup.Unique = found[0].Vendor, found[0].Product, found[0].Unique
			break
		}
		var err error
		if setup.Vendor, setup.Product, err = usbNumbers(rest); err != nil {
			return setup, err
		}
	case store.ScaleSerial:
		return parseSerial(rest, setup)
	default:
		return setup, usageError{fmt.Errorf("pourbook serve: -scale takes typed, pretend, hid or serial:PORT, not %q", flag)}
	}
	return setup, nil
}

func usbNumbers(text string) (vendor, product uint16, err error) {
	v, p, ok := strings.Cut(text, ":")
	a, err1 := strconv.ParseUint(v, 16, 16)
	b, err2 := strconv.ParseUint(p, 16, 16)
	if !ok || err1 != nil || err2 != nil {
		return 0, 0, usageError{fmt.Errorf("pourbook serve: %q are not the two numbers of a USB scale, such as 0922:8003", text)}
	}
	return uint16(a), uint16(b), nil
}

func parseSerial(rest string, setup store.ScaleSetup) (store.ScaleSetup, error) {
	path, query, _ := strings.Cut(rest, "?")
	values, err := url.ParseQuery(strings.ReplaceAll(query, "+", "%2B"))
	if err != nil {
		return setup, usageError{fmt.Errorf("pourbook serve: -scale %s cannot be read: %w", rest, err)}
	}
	setup.Path, setup.Family = path, string(scale.Header)
	for key := range values {
		value := values.Get(key)
		var err error
		switch key {
		case "family":
			setup.Family = value
		case "baud":
			setup.Baud, err = strconv.Atoi(value)
		case "bits":
			setup.DataBits, err = strconv.Atoi(value)
		case "parity":
			setup.Parity = value
		case "stops":
			setup.TwoStops = value == "2"
		case "unit":
			setup.Unit = value
		case "line":
			setup.Family, setup.Line = string(scale.Own), value
		case "stable":
			setup.Stable = value
		case "moving":
			setup.Moving = value
		case "ask":
			setup.Ask = unescape(value)
		case "every":
			setup.Every, err = time.ParseDuration(value)
		default:
			err = errors.New("nobody knows it")
		}
		if err != nil {
			return setup, usageError{fmt.Errorf("pourbook serve: -scale: %s=%s: %w", key, value, err)}
		}
	}
	return setup, nil
}
