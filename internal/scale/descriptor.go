package scale

import "errors"

// The usages of a scale: page 0x8D of the USB-IF HID Usage Tables (HID Point of Sale Usage Tables 1.02, section 4),
// not read in the original but taken from a real device's descriptor (testdata/scales/hid_report_descriptor.hex)
// and the readers named in hid_vectors.csv, which agree.
const (
	pageScale = 0x8D

	usageWeight       = 0x40
	usageScaling      = 0x41
	usageUnit         = 0x50 // unit n is usage 0x50+n
	usageUnitFirst    = 0x51
	usageUnitLast     = 0x5C
	usageStatus       = 0x70 // status n is usage 0x70+n
	usageStatusFirst  = 0x71
	usageStatusLast   = 0x78
	longestDescriptor = 4096 // bytes, HID_MAX_DESCRIPTOR_SIZE of Linux
)

// What a report descriptor may be other than a scale's.
var (
	ErrNotAScale     = errors.New("this USB device is not a scale")
	ErrNotUnderstood = errors.New("this scale is seen, but its reports are not understood: use its serial output, or type the weights")
)

// A layout says where in a report the parts of a reading are.
type layout struct {
	numbered bool // every report begins with its number
	id       byte
	status   field
	unit     field
	scaling  field
	weight   field
}

// A field is some bits of a report, counted from its first bit after the number. A field of 0 bits is not there.
type field struct {
	bit, bits int
	signed    bool
	low, high int64 // the values that mean something
	first     int   // the usage that low stands for, where the value names one of several
}

// usual is the layout of the device in testdata/scales/hid_report_descriptor.hex.
var usual = layout{
	numbered: true, id: 3,
	status:  field{bit: 0, bits: 8, low: 1, high: 8, first: usageStatusFirst},
	unit:    field{bit: 8, bits: 8, low: 1, high: 12, first: usageUnitFirst},
	scaling: field{bit: 16, bits: 8, signed: true, low: -127, high: 127},
	weight:  field{bit: 24, bits: 16, low: 0, high: 65535},
}

// readDescriptor finds a scale's reading in a HID report descriptor (Device Class Definition for HID 1.11, section
// 6.2.2, from memory). It returns ErrNotAScale or ErrNotUnderstood.
func readDescriptor(d []byte) (layout, error) {
	type globals struct {
		page      int
		low, high int64
		rawHigh   int64 // high read without a sign
		bits      int
		count     int
		id        byte
		numbered  bool
	}
	type usage struct{ page, id int }
	var (
		g           globals
		pushed      []globals
		usages      []usage
		first, last = usage{}, usage{}
		ranged      bool
		depth       int
		scale       bool
		at          = map[byte]int{}
		found       = map[byte]*layout{}
		order       []byte
	)
	if len(d) > longestDescriptor {
		return layout{}, ErrNotUnderstood
	}
	for len(d) > 0 {
		head := d[0]
		if head == 0xFE { // a long item; none is defined
			if len(d) < 3 || len(d) < 3+int(d[1]) {
				break
			}
			d = d[3+int(d[1]):]
			continue
		}
		size := [4]int{0, 1, 2, 4}[head&3]
		if len(d) < 1+size {
			break
		}
		var raw, signed int64
		for i := range size {
			raw |= int64(d[1+i]) << (8 * i)
		}
		signed = raw
		if size > 0 && raw>>(8*size-1)&1 == 1 {
			signed -= 1 << (8 * size)
		}
		d = d[1+size:]
		local := func() usage {
			if size == 4 {
				return usage{int(raw >> 16), int(raw & 0xFFFF)}
			}
			return usage{g.page, int(raw)}
		}
		switch head &^ 3 {
		case 0x04:
			g.page = int(raw)
		case 0x14:
			g.low = signed
		case 0x24:
			g.high, g.rawHigh = signed, raw
		case 0x74:
			g.bits = int(raw)
		case 0x94:
			g.count = int(raw)
		case 0x84:
			g.id, g.numbered = byte(raw), true
		case 0xA4:
			if len(pushed) < 16 {
				pushed = append(pushed, g)
			}
		case 0xB4:
			if n := len(pushed); n > 0 {
				g, pushed = pushed[n-1], pushed[:n-1]
			}
		case 0x08:
			if len(usages) < 256 {
				usages = append(usages, local())
			}
		case 0x18:
			first, ranged = local(), true
		case 0x28:
			last, ranged = local(), true

		case 0xA0: // collection
			if depth == 0 && (g.page == pageScale || len(usages) > 0 && usages[0].page == pageScale) {
				scale = true
			}
			depth++
			usages, ranged = nil, false
		case 0xC0: // its end
			depth--
			usages, ranged = nil, false
		case 0x90, 0xB0: // output, feature
			usages, ranged = nil, false
		case 0x80: // input
			if g.bits < 0 || g.bits > 32 || g.count < 0 || g.count > 512 {
				return layout{}, ErrNotUnderstood
			}
			l := found[g.id]
			if l == nil {
				l = &layout{numbered: g.numbered, id: g.id}
				found[g.id], order = l, append(order, g.id)
			}
			f := field{bits: g.bits, signed: g.low < 0, low: g.low, high: g.high}
			if !f.signed {
				f.high = g.rawHigh // 65535 is written in two bytes by some, which reads as −1
			}
			constant, array := raw&1 == 1, raw&2 == 0
			for i := range g.count {
				f.bit = at[g.id]
				at[g.id] += g.bits
				u := usage{}
				switch {
				case ranged && array:
					u = first
				case ranged:
					u = usage{first.page, min(first.id+i, last.id)}
				case len(usages) > 0:
					u = usages[min(i, len(usages)-1)]
				}
				if constant || u.page != pageScale {
					continue
				}
				f.first = u.id
				switch {
				case u.id == usageWeight:
					l.weight.keep(f)
				case u.id == usageScaling:
					l.scaling.keep(f)
				case array && u.id >= usageUnitFirst && u.id <= usageUnitLast:
					l.unit.keep(f)
				case array && u.id >= usageStatusFirst && u.id <= usageStatusLast:
					l.status.keep(f)
				}
			}
			usages, ranged = nil, false
		}
	}
	if !scale {
		return layout{}, ErrNotAScale
	}
	for _, id := range order {
		l := found[id]
		if l.weight.bits > 0 && l.scaling.bits > 0 && l.unit.bits > 0 && l.status.bits > 0 {
			l.weight.first, l.scaling.first = 0, 0
			return *l, nil
		}
	}
	return layout{}, ErrNotUnderstood
}

// keep takes the first of several.
func (f *field) keep(other field) {
	if f.bits == 0 {
		*f = other
	}
}

// of returns the field's value in the bytes after the report's number. They have to be long enough.
func (f field) of(data []byte) int64 {
	var v int64
	for i := range f.bits {
		bit := f.bit + i
		v |= int64(data[bit/8]>>(bit%8)&1) << i
	}
	if f.signed && v>>(f.bits-1)&1 == 1 {
		v -= 1 << f.bits
	}
	return v
}

// usage returns the usage that the field's value names, and false where it names none.
func (f field) usage(data []byte) (int, bool) {
	v := f.of(data)
	if v < f.low || v > f.high {
		return 0, false
	}
	return f.first + int(v-f.low), true
}

// bytes returns how many bytes after its number a report has to have.
func (l layout) bytes() int {
	end := 0
	for _, f := range []field{l.status, l.unit, l.scaling, l.weight} {
		end = max(end, f.bit+f.bits)
	}
	return (end + 7) / 8
}

// parse returns what a report says. Reports that are not readings of the scale return ErrNotAReading.
func (l layout) parse(report []byte) (frame, error) {
	if l.numbered {
		// Some devices send their status report, number 4, in the layout of the usual report 3.
		if len(report) == 0 || (report[0] != l.id && !(l == usual && report[0] == 4)) {
			return frame{}, ErrNotAReading
		}
		report = report[1:]
	}
	if len(report) < l.bytes() {
		return frame{}, ErrNotAReading
	}
	status, ok := l.status.usage(report)
	if !ok {
		return frame{status: Fault}, nil
	}
	f := frame{status: OK, value: true, count: l.weight.of(report), exponent: int(l.scaling.of(report))}
	switch status - usageStatus {
	case 2: // at the centre of zero
		f.stable, f.count = true, 0
	case 3:
	case 4:
		f.stable = true
	case 5:
		// The field has no sign, and devices differ in what they put there: no number is better than a wrong one.
		return frame{status: Underload}, nil
	case 6:
		return frame{status: Overload}, nil
	default: // fault, asks for calibration or for a fresh zero, or reserved
		return frame{status: Fault}, nil
	}
	f.unit = unit{name: "none"}
	if u, ok := l.unit.usage(report); ok {
		switch u - usageUnit {
		case 1:
			f.unit = unitMilligram
		case 2:
			f.unit = unitGram
		case 3:
			f.unit = unitKilogram
		case 4:
			f.unit = unitCarat
		case 6:
			f.unit = unitGrain
		case 7:
			f.unit = unitPennyweight
		case 10:
			f.unit = unitTroyOunce
		case 11:
			f.unit = unitOunce
		case 12:
			f.unit = unitPound
		}
	}
	return f, nil
}
