// Package report writes pages for people: work lists that print on paper.
// What stands on them is computed elsewhere; this package only lays it out.
package report
