package scale

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"pourbook/internal/gram"
)

// A usbPort is where the tests plug a scale in. Its device node is one end of a socket pair that keeps packets
// apart, as a hidraw node keeps reports apart: a real file with real deadlines, but not a real device.
type usbPort struct {
	class string

	mu   sync.Mutex
	node string
	far  *os.File // what the scale writes to
	near *os.File
}

func newUSBPort(t *testing.T) *usbPort { return &usbPort{class: t.TempDir()} }

func (u *usbPort) plug(t *testing.T, node string, descriptor []byte) {
	u.mu.Lock()
	defer u.mu.Unlock()
	about := filepath.Join(u.class, node, "device")
	require.NoError(t, os.MkdirAll(about, 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(about, "report_descriptor"), descriptor, 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(about, "uevent"),
		[]byte("DRIVER=hid-generic\nHID_ID=0003:0000F00D:00000042\nHID_NAME=Bench scale\nHID_UNIQ=7\n"), 0o600))
	pair, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_SEQPACKET|unix.SOCK_NONBLOCK|unix.SOCK_CLOEXEC, 0)
	require.NoError(t, err)
	u.node, u.near, u.far = node, os.NewFile(uintptr(pair[0]), "near"), os.NewFile(uintptr(pair[1]), "far")
}

func (u *usbPort) pull(t *testing.T) {
	u.mu.Lock()
	defer u.mu.Unlock()
	require.NoError(t, os.RemoveAll(filepath.Join(u.class, u.node)))
	require.NoError(t, u.far.Close())
}

// open hands out a copy of the near end, so that the scale may be opened anew.
func (u *usbPort) open(path string) (reportFile, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if filepath.Base(path) != u.node {
		return nil, fs.ErrNotExist
	}
	raw, err := u.near.SyscallConn()
	if err != nil {
		return nil, err
	}
	copied, failed := -1, error(nil)
	err = raw.Control(func(fd uintptr) { copied, failed = unix.FcntlInt(fd, unix.F_DUPFD_CLOEXEC, 0) })
	if err := errors.Join(err, failed); err != nil {
		return nil, err
	}
	return os.NewFile(uintptr(copied), path), nil
}

func (u *usbPort) send(report []byte) {
	u.mu.Lock()
	defer u.mu.Unlock()
	_ = u.far.SetWriteDeadline(time.Now().Add(10 * time.Millisecond)) // nobody may be reading
	_, _ = u.far.Write(report)
}

func (u *usbPort) scale() *HID {
	h := NewHID(HIDSetup{Name: HIDName{Vendor: 0xF00D, Product: 0x42}, Balance: gram.Balance{Division: 100, Max: 6_000_000}})
	h.class, h.nodes, h.open = u.class, "/dev", u.open
	return h
}

// restReport is a load at rest, counted in tenths of a gram.
func restReport(counts uint16) []byte { return []byte{3, 4, 2, 0xFF, byte(counts), byte(counts >> 8)} }

func TestSuiteHID(t *testing.T) {
	suite(t, func(t *testing.T) (Scale, func()) {
		u := newUSBPort(t)
		u.plug(t, "hidraw3", capturedDescriptor(t))
		t.Cleanup(func() { u.pull(t); assert.NoError(t, u.near.Close()) })
		return u.scale(), func() { u.send(restReport(1180)) }
	})
}

func TestHIDReadsEveryReport(t *testing.T) {
	u := newUSBPort(t)
	u.plug(t, "hidraw0", capturedDescriptor(t))
	defer u.near.Close()
	for _, b := range [][]byte{restReport(1), restReport(1180), {3, 3, 2, 0xFF, 0x9c, 4}, {1, 2, 2}, make([]byte, 8), {3, 6, 2, 0xFF, 0xFF, 0xFF}} {
		u.send(b)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var got []Reading
	err := u.scale().Read(ctx, func(r Reading) {
		r.At = time.Time{}
		if got = append(got, r); len(got) == 4 {
			u.pull(t)
		}
	})
	require.ErrorIs(t, err, ErrGone)
	assert.Equal(t, []Reading{
		{Serial: 1, Mass: 100, Status: OK, Raw: "030402ff0100"}, // may be from before, so not stable
		{Serial: 2, Mass: 118_000, Stable: true, Status: OK, Raw: "030402ff9c04"},
		{Serial: 3, Mass: 118_000, Status: OK, Raw: "030302ff9c04"},
		{Serial: 4, Status: Overload, Raw: "030602ffffff"},
	}, got)
}

// Pulled out and plugged in again elsewhere, it is found by its name and goes on counting.
func TestHIDPluggedInAgain(t *testing.T) {
	u := newUSBPort(t)
	h := u.scale()
	require.ErrorIs(t, h.Read(t.Context(), func(Reading) {}), ErrGone, "not there yet")
	var got []uint64
	for _, node := range []string{"hidraw0", "hidraw5"} {
		u.plug(t, node, capturedDescriptor(t))
		u.send(restReport(1180))
		require.ErrorIs(t, h.Read(t.Context(), func(r Reading) { got = append(got, r.Serial); u.pull(t) }), ErrGone)
		require.NoError(t, u.near.Close())
	}
	assert.Equal(t, []uint64{1, 2}, got)
}

func TestHIDAsleep(t *testing.T) {
	u := newUSBPort(t)
	u.plug(t, "hidraw0", capturedDescriptor(t))
	defer func() { u.pull(t); u.near.Close() }()
	h := u.scale()
	var mu sync.Mutex
	now := midday
	h.now = func() time.Time { mu.Lock(); defer mu.Unlock(); now = now.Add(time.Second); return now }
	ctx, cancel := context.WithCancel(t.Context())
	err := h.Read(ctx, func(r Reading) {
		assert.Equal(t, Asleep, r.Status)
		cancel()
	})
	require.ErrorIs(t, err, context.Canceled)
}

func TestHIDTroubleInWords(t *testing.T) {
	u := newUSBPort(t)
	u.plug(t, "hidraw0", capturedDescriptor(t)[:100])
	err := u.scale().Read(t.Context(), func(Reading) {})
	require.ErrorIs(t, err, ErrNotUnderstood)
	require.ErrorIs(t, err, ErrGone)

	u.plug(t, "hidraw0", capturedDescriptor(t))
	h := u.scale()
	h.open = func(string) (reportFile, error) { return nil, fmt.Errorf("open: %w", fs.ErrPermission) }
	err = h.Read(t.Context(), func(Reading) {})
	require.ErrorIs(t, err, ErrGone)
	assert.ErrorContains(t, err, `ATTRS{idVendor}=="f00d", ATTRS{idProduct}=="0042"`)

	h = u.scale()
	h.setup.Name.Unique = "8"
	assert.ErrorContains(t, h.Read(t.Context(), func(Reading) {}), "no scale f00d:0042 is plugged in")
}

func TestFindHID(t *testing.T) {
	u := newUSBPort(t)
	u.plug(t, "hidraw0", []byte{0x05, 0x01, 0x09, 0x06, 0xA1, 0x01, 0xC0})
	u.plug(t, "hidraw1", capturedDescriptor(t))
	u.plug(t, "hidraw2", bytes.Clone(capturedDescriptor(t)[:100]))
	got, err := findHID(u.class, "/dev")
	require.NoError(t, err)
	require.Len(t, got, 2, "a keyboard is left out")
	name := HIDName{Vendor: 0xF00D, Product: 0x42, Unique: "7"}
	assert.Equal(t, HIDFound{HIDName: name, Title: "Bench scale", Path: "/dev/hidraw1", layout: usual}, got[0])
	assert.ErrorIs(t, got[1].Err, ErrNotUnderstood)

	got, err = findHID(filepath.Join(u.class, "nowhere"), "/dev")
	require.NoError(t, err)
	assert.Empty(t, got)
}
