// Package colour computes colour from spectra and the differences between colours.
package colour
