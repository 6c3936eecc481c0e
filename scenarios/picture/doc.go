// Package picture draws panels of curves above one another over one axis, aligned, as SVG or PNG.
//
// Curves differ in dash and in lightness as well as in hue, so that a picture reads in grey, on paper and by the colour-blind. An
// [Envelope] keeps a course of any length in bounded memory, as the lowest and the highest of each stretch: a spike of one sample stays visible.
// The drawing is on the canvases of gonum.org/v1/plot/vg; the plots of its parent would bring twelve fonts and formats that nobody asked for, a
// sixth of the program.
package picture
