package scale

import (
	"bytes"
	"encoding/hex"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// capturedDescriptor is of a real scale; testdata/scales/README.md says from where.
func capturedDescriptor(t testing.TB) []byte {
	text, err := os.ReadFile("../../testdata/scales/hid_report_descriptor.hex")
	require.NoError(t, err)
	d, err := hex.DecodeString(string(bytes.TrimSpace(text)))
	require.NoError(t, err)
	require.Len(t, d, 221)
	return d
}

func TestDescriptorOfARealScale(t *testing.T) {
	l, err := readDescriptor(capturedDescriptor(t))
	require.NoError(t, err)
	// As the usage page lays report 3 out: status, unit, signed scaling, one byte each; unsigned weight, two bytes.
	assert.Equal(t, usual, l)
	assert.Equal(t, 5, l.bytes())
}

// A scale of our own invention: no report numbers, the weight first and in 24 bits, status and unit as 4 bits each,
// padding between. Written out by the rules of the class definition.
func TestDescriptorOfAnotherShape(t *testing.T) {
	d := []byte{
		0x05, 0x8D, 0x09, 0x01, 0xA1, 0x01, // Scales, application collection
		0x15, 0x00, 0x27, 0xFF, 0xFF, 0xFF, 0x00, 0x75, 24, 0x95, 1, 0x09, 0x40, 0x81, 0x02, // weight, 24 bits
		0x75, 4, 0x95, 1, 0x81, 0x03, // 4 bits of padding
		0x15, 0x01, 0x25, 8, 0x95, 1, 0x19, 0x71, 0x29, 0x78, 0x81, 0x00, // status, 4 bits
		0x25, 12, 0x19, 0x51, 0x29, 0x5C, 0x81, 0x00, // unit, 4 bits
		0x15, 0x80, 0x25, 0x7F, 0x75, 8, 0x09, 0x41, 0x81, 0x02, // scaling
		0xC0,
	}
	l, err := readDescriptor(d)
	require.NoError(t, err)
	assert.False(t, l.numbered)
	// 0x030D40 = 200000; in motion (3) in the upper half of the fourth byte; grams (2) in the lower half of the fifth;
	// the scaling, −3 = 0xFD, across the middle of the fifth and the sixth.
	f, err := l.parse([]byte{0x40, 0x0D, 0x03, 0x30, 0xD2, 0x0F})
	require.NoError(t, err)
	assert.Equal(t, Reading{Status: OK, Mass: 200_000}, f.reading(unit{}))
}

func TestDescriptorsThatAreNoScale(t *testing.T) {
	keyboard := []byte{0x05, 0x01, 0x09, 0x06, 0xA1, 0x01, 0x75, 8, 0x95, 8, 0x09, 0x40, 0x81, 0x02, 0xC0}
	_, err := readDescriptor(keyboard)
	assert.ErrorIs(t, err, ErrNotAScale)
	_, err = readDescriptor(nil)
	assert.ErrorIs(t, err, ErrNotAScale)

	d := capturedDescriptor(t)
	_, err = readDescriptor(d[:100])
	assert.ErrorIs(t, err, ErrNotUnderstood, "cut off before the weight")
	_, err = readDescriptor(append(bytes.Clone(d), make([]byte, longestDescriptor)...))
	assert.ErrorIs(t, err, ErrNotUnderstood)
	huge := []byte{0x05, 0x8D, 0x09, 0x01, 0xA1, 0x01, 0x75, 8, 0x97, 0xFF, 0xFF, 0xFF, 0x7F, 0x09, 0x40, 0x81, 0x02}
	_, err = readDescriptor(huge)
	assert.ErrorIs(t, err, ErrNotUnderstood, "a count that no report can hold")
}

func TestReports(t *testing.T) {
	for _, row := range table(t, "hid_vectors.csv", 37) {
		t.Run(row[0], func(t *testing.T) {
			report, err := hex.DecodeString(row[0])
			require.NoError(t, err)
			f, err := usual.parse(report)
			expect(t, row[1], row[2], row[3], row[4], []Reading{f.reading(unit{})}, []error{err})
		})
	}
}

func FuzzDescriptor(f *testing.F) {
	f.Add(capturedDescriptor(f), []byte{3, 4, 2, 0, 0x6e, 3})
	f.Add([]byte{0xA4, 0xB4, 0xB4, 0xFE, 0x01, 0x00, 0x00, 0x05, 0x8D, 0xA1, 0x01}, []byte{3})
	f.Fuzz(func(t *testing.T, descriptor, report []byte) {
		l, err := readDescriptor(descriptor)
		if err != nil {
			return
		}
		// A layout that was accepted reads any report of any length.
		fr, err := l.parse(report)
		if err != nil {
			return
		}
		r := fr.reading(unit{})
		if r.Status != OK && r.Status != WrongUnit && (r.Mass != 0 || r.Stable) {
			t.Fatalf("a mass while %v", r.Status)
		}
		if len(report) < l.bytes() {
			t.Fatalf("a reading from %d bytes of %d", len(report), l.bytes())
		}
	})
}

func FuzzReport(f *testing.F) {
	for _, row := range table(f, "hid_vectors.csv", 37) {
		report, err := hex.DecodeString(row[0])
		require.NoError(f, err)
		f.Add(report)
	}
	f.Fuzz(func(t *testing.T, report []byte) {
		fr, err := usual.parse(report)
		if err != nil {
			return
		}
		r := fr.reading(unit{})
		// Every byte that makes a weight is on the wire: status 3 or 4 (2 for zero), a known unit.
		if r.Status == OK && (report[1] < 2 || report[1] > 4 || report[2] < 1 || report[2] > 3) {
			t.Fatalf("%x is a weight of %v", report, r.Mass)
		}
	})
}
