// Package simherd invents dairy herds from stated parameters: demo data, load,
// and a truth to test the indices against.
//
// A herd is simulated a day at a time, cow by cow: cycles, heats and how they
// are read on the tail head, services and whether they take, losses,
// diagnoses, calvings, dry-offs, departures, and the heifers that follow. What
// a recorder would have written down comes out as events in the order of
// recording; what really happened is kept beside it as [Truth], which a farm
// never has.
//
// The same parameters and the same herd name give the same events, ids
// included. The package is pure: no clock, no I/O; the dates are parameters.
// Herds, codes and numbers are invented and name no real farm, person or bull.
package simherd
