package calc

import (
	"errors"
	"fmt"

	paint "pourbook/internal/colour"
)

// spectrum is a reflectance over wavelength, in and out.
type spectrum struct {
	Start  float64   `json:"start"`
	Step   float64   `json:"step"`
	Values []float64 `json:"values"`
}

type lab struct {
	L float64 `json:"l"`
	A float64 `json:"a"`
	B float64 `json:"b"`
}

type colourIn struct {
	Spectrum   spectrum `json:"spectrum"`
	Illuminant string   `json:"illuminant"`
	Observer   string   `json:"observer"`
}

type colourOut struct {
	XYZ [3]float64 `json:"xyz"`
	Lab lab        `json:"lab"`
}

// colour turns a spectrum into tristimulus values and CIELAB.
func colour(raw []byte) (any, error) {
	var in colourIn
	if err := decode(raw, &in); err != nil {
		return nil, err
	}
	var f fields
	s := in.Spectrum.read(&f, "spectrum")
	light, observer := viewing(&f, "illuminant", in.Illuminant, in.Observer)
	if err := f.problem(); err != nil {
		return nil, err
	}
	return seen(s, light, observer)
}

// seen is what an eye makes of a spectrum.
func seen(s paint.Spectrum, light paint.Illuminant, observer paint.Observer) (colourOut, error) {
	xyz, err := s.XYZ(light, observer)
	if err != nil {
		return colourOut{}, err
	}
	l, err := s.Lab(light, observer)
	if err != nil {
		return colourOut{}, err
	}
	return colourOut{[3]float64{xyz.X, xyz.Y, xyz.Z}, lab{l.L, l.A, l.B}}, nil
}

// The checks of single fields that every calculator by colour shares.

// read checks a spectrum and names the value, the start or the step that is wrong.
func (s spectrum) read(f *fields, field string) paint.Spectrum {
	got, err := paint.NewSpectrum(s.Start, s.Step, s.Values)
	if err != nil {
		input(f, field, err)
	}
	return got
}

// input notes an error of package colour with the field under which it lies.
func input(f *fields, field string, err error) {
	var at *paint.InputError
	if errors.As(err, &at) {
		field = join(field, at.Field)
		if at.Index >= 0 {
			field = fmt.Sprintf("%s[%d]", field, at.Index)
		}
	}
	f.add(field, "%s", err)
}

func (l lab) read(f *fields, field string) paint.Lab {
	got := paint.Lab{L: l.L, A: l.A, B: l.B}
	if err := got.Valid(); err != nil {
		input(f, field, err)
	}
	return got
}

// viewing checks the names of a light and an observer.
func viewing(f *fields, lightField, light, observer string) (paint.Illuminant, paint.Observer) {
	i, err := paint.ParseIlluminant(light)
	if err != nil {
		f.add(lightField, "%s", err)
	}
	o, err := paint.ParseObserver(observer)
	if err != nil {
		f.add("observer", "%s", err)
	}
	return i, o
}

// answer writes a spectrum.
func answer(s paint.Spectrum) spectrum {
	return spectrum{s.Grid().Start, s.Grid().Step, s.Values()}
}
