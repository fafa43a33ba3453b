// Package demo makes two invented farms: 400 cows, a year of trimming and
// scoring, written down by four devices that agree in nothing but the animals,
// with a known number of rotten records among them. It writes a whole project
// folder (config, mappings with their examples, originals) and tells what must
// come of it; it reads none of it back.
//
// Start at [Write]. Everything follows from one seed: the same seed makes the
// same bytes. There are no people in it and nothing in it is real. How often
// things happen is roughly as published surveys have it (see the constants in
// chance.go) so that the figures look like a herd; they prove nothing.
package demo
