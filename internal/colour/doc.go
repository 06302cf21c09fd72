// Package colour computes colour from spectra and the differences between colours.
//
// It goes from a reflectance spectrum to tristimulus values (ASTM E308), to CIELAB, to the difference of two
// colours by four published formulas, to an index of metamerism between two lights, to the flop of a
// multi-angle reading, and to a swatch for a screen.
//
// It promises L* from 0 to 100 everywhere, Y of the white 100, hue angles in degrees, illuminant and observer
// always named, and differences that are sample minus standard. The tables inside cannot be changed from
// outside, and nothing here reads a clock, a file or a setting.
//
// It does not know paint: what a mixture will look like is the business of the packages above it. It does no
// chromatic adaptation, no appearance model and no fluorescence.
//
// Start at Lab and DeltaE2000; for spectra at NewSpectrum and Spectrum.Lab.
package colour
