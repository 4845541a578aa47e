package repro

// indices are all that are computed, in the order of showing.
var indices []index
