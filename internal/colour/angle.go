package colour

import (
	"errors"
	"fmt"
	"math"
)

// Angle is an aspecular angle in degrees: how far the detector looks from the mirror direction of a light at
// 45 degrees, positive towards the normal (ASTM E2194). Small angles are the face of the flake, large ones the flop.
type Angle int

// The five angles of a multi-angle instrument. ASTM E2194 asks for 15, 45 and 110; the set of five is common
// practice (both from memory, not opened).
const (
	Face15  Angle = 15
	Face25  Angle = 25
	Flat45  Angle = 45
	Side75  Angle = 75
	Flop110 Angle = 110
)

// Angles returns the five angles from face to flop.
func Angles() []Angle { return []Angle{Face15, Face25, Flat45, Side75, Flop110} }

// Reading is what a multi-angle instrument says of one panel: one colour an angle, all with one light and observer.
type Reading map[Angle]Lab

// flashL is the brightest L* taken at the face: silver flake reads about 130 to 150 there.
// Common practice, no source.
const flashL = 200

// Valid returns nil for a reading with the three angles of ASTM E2194 (15, 45, 110), no angle beyond the five, and
// colours in range. Towards the mirror flake is brighter than white: L up to 200 is taken at 15 and 25 degrees, and
// up to 100 at the others. The error is one plain sentence.
func (r Reading) Valid() error {
	known := 0
	for _, angle := range Angles() {
		lab, ok := r[angle]
		if !ok {
			if angle == Face15 || angle == Flat45 || angle == Flop110 {
				return fmt.Errorf("the reading at %d degrees is missing: a flake finish needs 15, 45 and 110", int(angle))
			}
			continue
		}
		known++
		top := float64(maxL)
		if angle <= Face25 {
			top = flashL
		}
		if err := lab.within(top); err != nil {
			return fmt.Errorf("at %d degrees: %w", int(angle), err)
		}
	}
	if known != len(r) {
		return errors.New("the reading has an angle that is not known here: use 15, 25, 45, 75 and 110 degrees")
	}
	return nil
}

// FlopIndex returns 2.69 (L*15 - L*110)^1.11 / (L*45)^0.86 (D. H. Alman, 1987; the formula is from memory, not
// opened): 0 for a solid colour, about 15 to 17 for a strong metallic. A reading that is not Valid is an error, and
// so is one whose flop is lighter than its face, or which is black at 45 degrees, for which the index has no meaning.
func (r Reading) FlopIndex() (float64, error) {
	if err := r.Valid(); err != nil {
		return 0, err
	}
	face, flat, flop := r[Face15].L, r[Flat45].L, r[Flop110].L
	switch {
	case flop > face:
		return 0, fmt.Errorf("the lightness is %s at 110 degrees and only %s at 15: the flop index is for colours that darken to the side, so check that the angles are not swapped",
			trim(flop), trim(face))
	case flat == 0:
		return 0, errors.New("the lightness is 0 at 45 degrees: the flop index cannot be told, so read the panel again")
	}
	return 2.69 * math.Pow(face-flop, 1.11) / math.Pow(flat, 0.86), nil
}

// Differences returns ΔE00 with its parts at every angle that both readings have, angle by angle from face to flop.
// A reading that is not Valid is an error.
func Differences(standard, sample Reading) ([]AngleDifference, error) {
	for _, r := range [...]struct {
		name    string
		reading Reading
	}{{"standard", standard}, {"sample", sample}} {
		if err := r.reading.Valid(); err != nil {
			return nil, fmt.Errorf("the %s: %w", r.name, err)
		}
	}
	var out []AngleDifference
	for _, angle := range Angles() {
		first, ok1 := standard[angle]
		second, ok2 := sample[angle]
		if ok1 && ok2 {
			out = append(out, AngleDifference{angle, CIEDE2000(first, second)})
		}
	}
	return out, nil
}

// AngleDifference is the difference of two panels at one angle.
type AngleDifference struct {
	Angle Angle
	Difference
}
