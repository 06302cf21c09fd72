package colour

import "errors"

// Metamerism returns the special index of metamerism for a change of illuminant, from reference to test: the ΔE00
// that two samples would show under test if they matched exactly under reference. What is left of a difference under
// reference is first taken out by multiplying the sample's X, Y and Z under test by standard/sample under reference
// (multiplicative correction in XYZ, as ISO 18314-4 recommends).
//
// 0 means that both change alike. Unknown lights and observers are errors, and so is a sample so black that it has
// no X, Y or Z to correct by.
func Metamerism(standard, sample Spectrum, reference, test Illuminant, observer Observer) (float64, error) {
	var xyz [4]XYZ // standard and sample under reference, standard and sample under test
	for i, light := range [...]Illuminant{reference, test} {
		for j, s := range [...]Spectrum{standard, sample} {
			v, err := s.XYZ(light, observer)
			if err != nil {
				return 0, err
			}
			xyz[2*i+j] = v
		}
	}
	white, err := White(test, observer)
	if err != nil {
		return 0, err
	}
	corrected, err := corrected(xyz[0], xyz[1], xyz[3])
	if err != nil {
		return 0, err
	}
	return DeltaE2000(xyz[2].Lab(white), corrected.Lab(white)), nil
}

// corrected multiplies the sample under test by what brings it to the standard under reference.
func corrected(standardRef, sampleRef, sampleTest XYZ) (XYZ, error) {
	if !(sampleRef.X > 0) || !(sampleRef.Y > 0) || !(sampleRef.Z > 0) {
		return XYZ{}, errors.New("metamerism cannot be told for a sample that reflects nothing: measure it again")
	}
	return XYZ{
		sampleTest.X * standardRef.X / sampleRef.X,
		sampleTest.Y * standardRef.Y / sampleRef.Y,
		sampleTest.Z * standardRef.Z / sampleRef.Z,
	}, nil
}
