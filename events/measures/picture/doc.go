// Package picture draws herd figures as SVG: a run chart of prevalence with its
// intervals, a control chart, Kaplan-Meier curves, and where lesions sit on the
// claw. Every picture can be read in black and white, and says in itself of what
// farm and period it is, how many animals it is of, and what the figure means.
//
// # Where to start
//
// [Draw] picks the picture of a report. The drawings are our own; hatching, and
// not colour, tells more from less.
package picture
