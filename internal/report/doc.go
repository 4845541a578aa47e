// Package report writes work lists for people: plain text for the screen, and a page
// that a browser prints, one pen a sheet, with room to write by hand. What stands on
// them is computed elsewhere; this package only lays it out.
package report
