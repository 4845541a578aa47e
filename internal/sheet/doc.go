// Package sheet is the passage of records in and out as CSV: the project's own
// profile (one row per event, [Native]) both ways, and foreign sheets inwards by
// a [Mapping] that says what their columns and words mean.
//
// Everything streams: a file is never held in memory, and [Limits] bound what
// a single field, record or file may take. The package is pure: it reads an
// [io.Reader] and writes an [io.Writer], and today is an argument.
//
// # The project's own profile
//
// UTF-8 without a byte order mark, comma, CRLF, a header, RFC 4180 with the
// quoting rule of [Writer]. The columns are those of event.Columns in that
// order, then the log's own: note_hash, seq, recorded_at, hash. The last record
// has the kind "end" and carries the head of the log, so that a file that was
// cut off is told from a whole one. Reading is wider than writing: columns in
// any order, LF, CR or CRLF, a byte order mark of UTF-8 or UTF-16, any of the
// delimiters , ; tab |. An apostrophe in front of a text is kept: this profile
// writes no guards against formulas, so what stands there is what was recorded.
// The log's own columns are for [VerifyExport]; an import ignores them, except
// note_hash for a note that was erased.
//
// # Row ids
//
// A row that brings no event id gets one that depends on nothing but what it
// says: UUIDv5 over the event's canonical bytes (which hold herd, source, the
// source's own key and every stated field), its note, and its ordinal among
// identical events of the file. So the same file again, with its rows in
// another order or saved with another delimiter, quoting, line end or encoding,
// adds nothing. Two identical rows are two events, since a sheet without keys
// may well mean it; under a mapping with a key they are one record, and the
// second is skipped with a word. An edited row is a new event with a new id.
//
// # What is refused, and how
//
// What makes the file as a whole untrustworthy (an open quote at its end, a
// NUL, bytes that the stated encoding cannot hold, a missing column, a
// workbook renamed .csv) is a [FileError]: nothing more can be read. What is
// wrong with one row is a list of [Problem] in its [Line], and then the row
// gives no event at all: rows are never half taken. Nothing is guessed: date
// order, encoding and words are stated by the mapping or refused.
package sheet
