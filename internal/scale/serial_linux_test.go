package scale

import (
	"bytes"
	"context"
	"errors"
	"fmt"
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

// A cable is a pseudo-terminal: the program opens one end as a serial port, the test is the scale at the other.
// Its path is a link, as under /dev/serial/by-id, that leads to another port after each plugging in.
type cable struct {
	path   string
	answer func(asked string) string // nil for a scale that cannot be asked

	mu    sync.Mutex
	scale *os.File
	held  *os.File // keeps the port alive while the program has it closed
	wait  sync.WaitGroup
	heard []string
}

func newCable(t *testing.T, answer func(string) string) *cable {
	c := &cable{path: filepath.Join(t.TempDir(), "scale"), answer: answer}
	t.Cleanup(func() { c.pull(t) })
	return c
}

func (c *cable) plug(t testing.TB) {
	master, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	require.NoError(t, err, "this test needs pseudo-terminals")
	raw, err := master.SyscallConn()
	require.NoError(t, err)
	number, failed := 0, error(nil)
	require.NoError(t, raw.Control(func(fd uintptr) {
		failed = unix.IoctlSetPointerInt(int(fd), unix.TIOCSPTLCK, 0)
		if failed != nil {
			return
		}
		if number, failed = unix.IoctlGetInt(int(fd), unix.TIOCGPTN); failed != nil {
			return
		}
		// A wire neither echoes nor turns one ending of a line into another.
		var plainWire *unix.Termios
		if plainWire, failed = unix.IoctlGetTermios(int(fd), unix.TCGETS); failed != nil {
			return
		}
		plainWire.Iflag, plainWire.Oflag, plainWire.Lflag = 0, 0, 0
		failed = unix.IoctlSetTermios(int(fd), unix.TCSETS, plainWire)
	}))
	require.NoError(t, failed)
	port := fmt.Sprintf("/dev/pts/%d", number)
	held, err := os.OpenFile(port, os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	require.NoError(t, os.Symlink(port, c.path))

	c.mu.Lock()
	defer c.mu.Unlock()
	c.scale, c.held = master, held
	if c.answer != nil {
		c.wait.Go(func() { c.listen(master) })
	}
}

// listen answers whatever ends with LF.
func (c *cable) listen(master *os.File) {
	var asked []byte
	buf := make([]byte, 64)
	for {
		n, err := master.Read(buf)
		if err != nil {
			return
		}
		asked = append(asked, buf[:n]...)
		for i := bytes.IndexByte(asked, '\n'); i >= 0; i = bytes.IndexByte(asked, '\n') {
			command := string(asked[:i+1])
			asked = asked[i+1:]
			c.mu.Lock()
			c.heard = append(c.heard, command)
			c.mu.Unlock()
			c.send(c.answer(command))
		}
	}
}

func (c *cable) pull(t testing.TB) {
	c.mu.Lock()
	if c.scale == nil {
		c.mu.Unlock()
		return
	}
	assert.NoError(t, os.Remove(c.path))
	assert.NoError(t, c.scale.Close())
	assert.NoError(t, c.held.Close())
	c.scale = nil
	c.mu.Unlock()
	c.wait.Wait()
}

func (c *cable) send(line string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.scale == nil {
		return
	}
	_ = c.scale.SetWriteDeadline(time.Now().Add(10 * time.Millisecond)) // nobody may be reading
	_, _ = c.scale.Write([]byte(line))
}

func (c *cable) commands() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return append([]string(nil), c.heard...)
}

func (c *cable) open(t testing.TB, change func(*SerialSetup)) *Serial {
	setup := SerialSetup{Path: c.path, Format: Format{Family: Header}, Balance: gram.Balance{Division: 100}}
	if change != nil {
		change(&setup)
	}
	s, err := NewSerial(setup)
	require.NoError(t, err)
	return s
}

func TestSuiteSerialStream(t *testing.T) {
	suite(t, func(t *testing.T) (Scale, func()) {
		c := newCable(t, nil)
		c.plug(t)
		return c.open(t, nil), func() { c.send("ST,GS,+  123.4 g\r\n") }
	})
}

func TestSuiteSerialAsked(t *testing.T) {
	suite(t, func(t *testing.T) (Scale, func()) {
		c := newCable(t, func(asked string) string {
			if asked == "SI\r\n" {
				return "S D     123.4 g\r\n"
			}
			return "ES\r\n"
		})
		c.plug(t)
		s := c.open(t, func(s *SerialSetup) {
			s.Format.Family, s.Ask, s.Every = TwoWord, "SI\r\n", 20*time.Millisecond
			s.Baud, s.DataBits, s.Parity = 2400, 7, ParityEven
		})
		return s, nil
	})
}

func TestSuiteSerialOwnLine(t *testing.T) {
	suite(t, func(t *testing.T) (Scale, func()) {
		c := newCable(t, nil)
		c.plug(t)
		s := c.open(t, func(s *SerialSetup) {
			s.Format = Format{Family: Own, Unit: "g", Own: Pattern{Line: "#{mass}", Decimals: 1}}
		})
		return s, func() { c.send("#001234\r") }
	})
}

// What comes in pieces and with noise around it, as far as a real port shows it.
func TestSerialWholeLinesOnly(t *testing.T) {
	c := newCable(t, nil)
	c.plug(t)
	s := c.open(t, nil)
	defer s.Close()
	for _, piece := range []string{
		".4 g\r\n", "ST,GS,+  12", "3.4 g\r", "\nUS,GS,+  125.0 g\r\n\x00\xff\x80\r\n", "OL\r\n",
		"ST,GS,+  1ST,GS,+  123.4 g\r\n", "ST,GS,+ 0.2721 lb\r\nST,GS,+  12",
	} {
		c.send(piece)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var got []Reading
	err := s.Read(ctx, func(r Reading) {
		r.At = time.Time{}
		if got = append(got, r); len(got) == 4 {
			cancel()
		}
	})
	require.ErrorIs(t, err, context.Canceled)
	assert.Equal(t, []Reading{
		{Serial: 1, Mass: 123_400, Stable: true, Status: OK, Raw: "ST,GS,+  123.4 g"},
		{Serial: 2, Mass: 125_000, Status: OK, Raw: "US,GS,+  125.0 g"},
		{Serial: 3, Status: Overload, Raw: "OL"},
		{Serial: 4, Mass: 123_422, Stable: true, Status: WrongUnit, Raw: "ST,GS,+ 0.2721 lb"},
	}, got)
}

// Pulled out, absent for a while, plugged in elsewhere: whoever tries again has it back, and its serial numbers go on.
func TestSerialPluggedInAgain(t *testing.T) {
	c := newCable(t, nil)
	s := c.open(t, nil)
	defer s.Close()
	err := s.Read(t.Context(), func(Reading) { t.Error("read from nothing") })
	require.ErrorIs(t, err, ErrGone)
	require.ErrorContains(t, err, "nothing is plugged in at "+c.path)

	stop := make(chan struct{})
	var wait sync.WaitGroup
	wait.Go(func() {
		for {
			select {
			case <-stop:
				return
			case <-time.After(5 * time.Millisecond):
				c.send("ST,GS,+  123.4 g\r\n")
			}
		}
	})
	defer wait.Wait()
	defer close(stop)
	var serials []uint64
	for range 3 {
		c.plug(t)
		n := 0
		err := s.Read(t.Context(), func(r Reading) {
			serials = append(serials, r.Serial)
			if n++; n == 3 {
				c.pull(t)
			}
		})
		require.ErrorIs(t, err, ErrGone)
		for pause := time.Millisecond; pause < 10*time.Millisecond; pause *= 2 {
			require.ErrorIs(t, s.Read(t.Context(), func(Reading) { t.Error("read from nothing") }), ErrGone)
			time.Sleep(pause)
		}
	}
	require.GreaterOrEqual(t, len(serials), 9)
	for i, n := range serials {
		require.Equal(t, uint64(i+1), n)
	}
}

// A scale that was switched off and on has forgotten that it was to send.
func TestSerialAsksAgainAfterSilence(t *testing.T) {
	c := newCable(t, func(string) string { return "" })
	c.plug(t)
	s := c.open(t, func(s *SerialSetup) { s.Format.Family, s.Ask = TwoWord, "SIR\r\n" })
	defer s.Close()
	var mu sync.Mutex
	now := midday
	s.now = func() time.Time { mu.Lock(); defer mu.Unlock(); now = now.Add(200 * time.Millisecond); return now }
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	err := s.Read(ctx, func(r Reading) {
		assert.Equal(t, Asleep, r.Status)
		if len(c.commands()) >= 2 {
			cancel()
		}
	})
	require.ErrorIs(t, err, context.Canceled)
	assert.Equal(t, []string{"SIR\r\n", "SIR\r\n"}, c.commands()[:2])
}

// A scale without a flag is judged by its readings.
func TestSerialJudgesRest(t *testing.T) {
	c := newCable(t, nil)
	c.plug(t)
	s := c.open(t, func(s *SerialSetup) { s.Format = Format{Family: Own, Unit: "g", Own: Pattern{Line: "#{mass}"}} })
	defer s.Close()
	now := midday
	s.now = func() time.Time { now = now.Add(100 * time.Millisecond); return now }
	c.send("\r")
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var got []Reading
	stop := time.AfterFunc(5*moment, cancel)
	defer stop.Stop()
	c.send("#12.0\r")
	_ = s.Read(ctx, func(r Reading) {
		if r.Status != OK {
			return
		}
		got = append(got, r)
		switch {
		case r.Stable:
			cancel()
		case len(got) < 3:
			c.send("#13.0\r")
		default:
			c.send("#12.1\r")
		}
	})
	require.NotEmpty(t, got)
	last := got[len(got)-1]
	require.True(t, last.Stable)
	assert.Equal(t, gram.Mass(12_100), last.Mass)
	since := time.Duration(0)
	for _, r := range got {
		if r.Mass == 12_100 {
			since = last.At.Sub(r.At)
			break
		}
	}
	assert.GreaterOrEqual(t, since, judgeWindow)
}

func TestSerialWrongFormatIsAFault(t *testing.T) {
	c := newCable(t, nil)
	c.plug(t)
	s := c.open(t, nil)
	defer s.Close()
	for range tooMany + 2 {
		c.send("\x80\xb2S D  7 g\r\n")
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	err := s.Read(ctx, func(r Reading) {
		assert.Equal(t, Fault, r.Status)
		assert.Equal(t, `\x80\xb2S D  7 g`, r.Raw)
		cancel()
	})
	require.ErrorIs(t, err, context.Canceled)
}

func TestNewSerialRefuses(t *testing.T) {
	for why, change := range map[string]func(*SerialSetup){
		"no serial port is named":      func(s *SerialSetup) { s.Path = "" },
		"choose none, even or odd":     func(s *SerialSetup) { s.Parity = "mark" },
		"cannot run at 5 baud":         func(s *SerialSetup) { s.Baud = 5 },
		"choose 7 or 8":                func(s *SerialSetup) { s.DataBits = 9 },
		"at most 50 times a second":    func(s *SerialSetup) { s.Ask, s.Every = "W\r", time.Millisecond },
		"that the scale can be asked":  func(s *SerialSetup) { s.Every = time.Second },
		"choose one from the list":     func(s *SerialSetup) { s.Format.Family = "" },
		"what unit the number is in: ": func(s *SerialSetup) { s.Format = Format{Family: Own, Own: Pattern{Line: "{mass}"}} },
	} {
		setup := SerialSetup{Path: "/dev/null", Format: Format{Family: Header}, Balance: gram.Balance{Division: 100}}
		change(&setup)
		_, err := NewSerial(setup)
		assert.ErrorContains(t, err, why)
	}
	s, err := NewSerial(SerialSetup{Path: "/dev/null", Format: Format{Family: Header}})
	require.NoError(t, err)
	err = s.Read(t.Context(), func(Reading) {})
	assert.True(t, errors.Is(err, ErrGone), "a file that is no port: %v", err)
}

// The library's wait panics on file numbers from 1024 up; a crowded server must not fall over that.
func TestSerialOnACrowdedServer(t *testing.T) {
	c := newCable(t, nil)
	c.plug(t)
	s := c.open(t, nil)
	defer s.Close()
	var open []*os.File
	defer func() {
		for _, f := range open {
			f.Close()
		}
	}()
	for range 1100 {
		f, err := os.Open(os.DevNull)
		if err != nil {
			t.Skipf("this machine lets nobody open 1100 files: %v", err)
		}
		open = append(open, f)
	}
	err := s.Read(t.Context(), func(Reading) {})
	require.ErrorIs(t, err, ErrGone)
	assert.ErrorContains(t, err, "too many connections are open")
}

// From the scale's writing a line to the reading.
func BenchmarkSerialLine(b *testing.B) {
	c := &cable{path: filepath.Join(b.TempDir(), "scale")}
	c.plug(b)
	defer c.pull(b)
	s := c.open(b, nil)
	defer s.Close()
	ctx, cancel := context.WithCancel(b.Context())
	came := make(chan struct{}, 1)
	var wait sync.WaitGroup
	wait.Go(func() {
		_ = s.Read(ctx, func(r Reading) {
			if r.Status != OK {
				return
			}
			select {
			case came <- struct{}{}:
			case <-ctx.Done():
			}
		})
	})
	for n := 0; n == 0; {
		c.send("ST,GS,+  123.4 g\r\n")
		select {
		case <-came:
			n++
		case <-time.After(20 * time.Millisecond):
		}
	}
	for b.Loop() {
		c.send("ST,GS,+  123.4 g\r\n")
		<-came
	}
	cancel()
	wait.Wait()
}
