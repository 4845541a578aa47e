package book

// SnapshotFormat is the format of the snapshots that this program makes and uses.
var SnapshotFormat = snapshotFormat
