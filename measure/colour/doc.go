// Package colour turns reflectance spectra into tristimulus values, CIELAB, colour differences
// and optical densities, and adapts colours from one white to another.
//
// Scales: reflectance factor 0..1 (brightened white and fluorescent inks pass 1), wavelengths in
// nanometres, XYZ with the perfect reflecting diffuser at Y = 100, CIELAB on the CIE scale
// (L* 0..100). The observer is the CIE 1931 2 degree one throughout.
//
// The package holds no state beyond tables that it reads once. It does not read files, does not
// know charts or printers, and does not round: what is not a number comes out as NaN and is the
// caller's to refuse.
//
// # Tables and their licences
//
// tables/cie1931-illuminants-1nm.csv joins four data sets of the International Commission on
// Illumination (CIE), Vienna: colour-matching functions of the 1931 standard observer
// (doi:10.25039/CIE.DS.xvudnb9b) and the illuminants A (doi:10.25039/CIE.DS.8jsxjrsn), D50
// (doi:10.25039/CIE.DS.etgmuqt5) and D65 (doi:10.25039/CIE.DS.hjfjmt59). They are licensed
// CC BY-SA 4.0, which stays with that file: keep the attribution, and share changes to it alike.
//
// tables/iso5-3-status-density.csv holds the spectral products of ISO 5-3, as carried by the
// BSD-3-licensed python-colormath library.
package colour
