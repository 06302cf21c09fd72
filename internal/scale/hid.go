package scale

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"pourbook/internal/gram"
)

// Where Linux keeps USB devices of the HID class.
const (
	hidClass = "/sys/class/hidraw"
	hidNodes = "/dev"
)

// HIDName is how a USB scale is known again after it was plugged in elsewhere.
type HIDName struct {
	Vendor, Product uint16
	Unique          string // its own number; may be empty, and then any such device will do
}

// HIDFound is a USB scale that is plugged in.
type HIDFound struct {
	HIDName
	Title string // what it calls itself
	Path  string // changes whenever it is plugged in
	Err   error  // ErrNotUnderstood for a scale that cannot be read

	layout layout
}

// HIDSetup says which USB scale to read.
type HIDSetup struct {
	Name    HIDName
	Balance gram.Balance
}

// HID is a scale with a USB plug that reports readings by itself (HID usage page 0x8D), on Linux.
//
// It is only listened to: nothing is ever sent, so the keys on the scale remain the only way to zero it. Its number
// has 16 bits, so at 0.01 g it ends at 655.35 g and the device itself goes over to a coarser step.
// Many such scales are for letters: a reading a second in steps of a gram or more is too coarse for toners.
type HID struct {
	setup HIDSetup
	turn  turn
	now   func() time.Time

	class, nodes string
	open         func(path string) (reportFile, error)
}

// A reportFile gives one report with each Read.
type reportFile interface {
	Read([]byte) (int, error)
	SetReadDeadline(time.Time) error
	Close() error
}

// hidSilence is how long a USB scale may say nothing before it counts as asleep. Some speak only once a second.
const hidSilence = 3 * time.Second

// NewHID returns a USB scale. It need not be plugged in yet: Read looks for it.
func NewHID(s HIDSetup) *HID {
	return &HID{
		setup: s, now: time.Now, class: hidClass, nodes: hidNodes,
		open: func(path string) (reportFile, error) { return os.OpenFile(path, os.O_RDONLY, 0) },
	}
}

// FindHID lists the USB scales that are plugged in, in the order of their paths.
func FindHID() ([]HIDFound, error) { return findHID(hidClass, hidNodes) }

func findHID(class, nodes string) ([]HIDFound, error) {
	entries, err := os.ReadDir(class)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil // no such device has ever been plugged in, or this is not Linux
	}
	if err != nil {
		return nil, fmt.Errorf("the list of USB devices cannot be read: %w", err)
	}
	var found []HIDFound
	for _, e := range entries {
		// A device that is unplugged meanwhile has no files any more, and is left out.
		about := filepath.Join(class, e.Name(), "device")
		descriptor, err := os.ReadFile(filepath.Join(about, "report_descriptor"))
		if err != nil {
			continue
		}
		l, err := readDescriptor(descriptor)
		if errors.Is(err, ErrNotAScale) {
			continue
		}
		event, _ := os.ReadFile(filepath.Join(about, "uevent"))
		f := HIDFound{Path: filepath.Join(nodes, e.Name()), Err: err, layout: l}
		f.HIDName, f.Title = parseUevent(string(event))
		found = append(found, f)
	}
	return found, nil
}

// parseUevent takes name and title out of a device's uevent file: HID_ID=bus:vendor:product in hexadecimal,
// HID_NAME, HID_UNIQ (the kernel's hid-core.c, from memory).
func parseUevent(event string) (n HIDName, title string) {
	for line := range strings.Lines(event) {
		key, value, _ := strings.Cut(strings.TrimSpace(line), "=")
		switch key {
		case "HID_ID":
			if parts := strings.Split(value, ":"); len(parts) == 3 {
				vendor, err1 := strconv.ParseUint(parts[1], 16, 32)
				product, err2 := strconv.ParseUint(parts[2], 16, 32)
				if err1 == nil && err2 == nil && vendor <= 0xFFFF && product <= 0xFFFF {
					n.Vendor, n.Product = uint16(vendor), uint16(product)
				}
			}
		case "HID_NAME":
			title = value
		case "HID_UNIQ":
			n.Unique = value
		}
	}
	return n, title
}

// Read looks for the scale, wherever it is plugged in now, and reports every reading; see Scale.
// The first reading may be from before it was opened, and is never Stable. A scale that is silent for three seconds
// gives a Reading that is Asleep, and another with every three seconds more.
func (h *HID) Read(ctx context.Context, each func(Reading)) error {
	running, give, err := h.turn.take(ctx)
	if err != nil {
		return err
	}
	defer give()
	device, l, err := h.find()
	if err != nil {
		return err
	}
	defer device.Close()

	heard, first := h.now(), true
	buf := make([]byte, 64)
	for {
		if err := device.SetReadDeadline(time.Now().Add(look)); err != nil {
			return gone(err)
		}
		n, err := device.Read(buf)
		if why := ended(ctx, running); why != nil {
			return why
		}
		now := h.now()
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded):
			if now.Sub(heard) >= hidSilence {
				heard = now
				each(Reading{Serial: h.turn.next(), At: now, Status: Asleep})
			}
			continue
		case err != nil:
			return gone(err)
		case n == 0:
			return gone(errors.New("it sends empty reports"))
		}
		f, err := l.parse(buf[:n])
		if err != nil {
			continue
		}
		heard = now
		r := f.reading(unit{})
		r.Serial, r.At, r.Raw = h.turn.next(), now, hex.EncodeToString(buf[:n])
		r.Stable = r.Stable && !first
		first = false
		each(r)
		if why := ended(ctx, running); why != nil {
			return why
		}
	}
}

// find opens the first device that goes by the name in the setup.
func (h *HID) find() (reportFile, layout, error) {
	all, err := findHID(h.class, h.nodes)
	if err != nil {
		return nil, layout{}, gone(err)
	}
	want := h.setup.Name
	for _, f := range all {
		if f.Vendor != want.Vendor || f.Product != want.Product || (want.Unique != "" && f.Unique != want.Unique) {
			continue
		}
		if f.Err != nil {
			return nil, layout{}, &goneError{say: f.Err.Error(), cause: f.Err}
		}
		device, err := h.open(f.Path)
		if errors.Is(err, fs.ErrPermission) {
			rule := fmt.Sprintf(`SUBSYSTEM=="hidraw", ATTRS{idVendor}=="%04x", ATTRS{idProduct}=="%04x", MODE="0660", GROUP="plugdev", TAG+="uaccess"`, f.Vendor, f.Product)
			return nil, layout{}, &goneError{
				say:   "this program may not read the scale: put this line into a file in /etc/udev/rules.d and plug the scale in again: " + rule,
				cause: err,
			}
		}
		if err != nil {
			return nil, layout{}, gone(err)
		}
		return device, f.layout, nil
	}
	return nil, layout{}, gone(fmt.Errorf("no scale %04x:%04x is plugged in", want.Vendor, want.Product))
}

// Balance returns what was set up; the device itself does not say.
func (h *HID) Balance() gram.Balance { return h.setup.Balance }

// Close ends Read, which lets go of the device within a moment; see Scale.
func (h *HID) Close() error {
	h.turn.close()
	return nil
}
