// Package sheet is the passage of records in and out as CSV: the project's own
// profile (one row per event, [Native]) both ways, and foreign sheets inwards by
// a [Mapping] that says what their columns and words mean.
//
// Everything streams: a file is never held in memory, and [Limits] bound what
// a single field, record or file may take. The package is pure: it reads an
// [io.Reader] and writes an [io.Writer], and today is an argument.
//
// # The project's own profiles
//
// The interchange profile: UTF-8 without a byte order mark, comma, CRLF, a
// header, RFC 4180 with the quoting rule of [Writer]. The columns are those of
// event.Columns in that order, then the log's own: note_hash, row_check, seq,
// recorded_at, hash. The last record has the kind "end" and carries the head of
// the log, so that a file that was cut off is told from a whole one. Equal logs
// give equal bytes.
//
// The spreadsheet profile ([NewSpreadsheetWriter]) is the same table for people:
// a byte order mark, ; or another delimiter, one apostrophe in front of texts
// that a program would take for a formula or a number, and a last column profile
// that says so.
//
// [Native] reads both, and wider than they are written: columns in any order, LF,
// CR or CRLF, a byte order mark of UTF-8 or UTF-16, any of the delimiters , ; tab
// |. An apostrophe is taken away only in rows whose column profile says
// spreadsheet, exactly one, and only where the writer would have put it. In any
// other row what stands there is what was recorded.
//
// # The law of the passage
//
// An export that a spreadsheet program opened and saved gives the same log, or an
// explicit refusal of the file or of the rows at fault: never another fact
// without a word. This is how it holds:
//
//   - Every exported row has its row_check, a check over all that the event says
//     but its herd: id, animal, dates, words, numbers, the note and its salt. An
//     import refuses a row that its check does not fit, in any order of rows and
//     columns, whatever became of the rows around it, and whether the log knows
//     the event or not. So 17 for 0017, 8.4E+14, a day and month that changed
//     places, a letter that the code page lacks, a space too many, a guard that
//     was dropped are all told. Where only zeros in front of the animal's number
//     were lost, the number that it was is proposed, never put in its place.
//   - A file with the column hash must have its end record, and as many events as
//     that says; a row too short to reach its check is refused.
//   - A row whose row_check is empty, and every row of a file without that column,
//     is a statement of whoever sends it, as in a sheet made by hand. That is how a
//     change is made on purpose. An id that the log has with other content is then
//     a conflict, and with a new id or none the row is a new event.
//
// Out of its power: a change to rows whose check was taken out; a sheet made by
// hand, but for animals' numbers in exponent form, which it refuses; that the file
// is the newest one, or the one of the right herd where herd was renamed or
// emptied; and intent, since who can compute a hash can compute a check. Against
// that stands [VerifyExport] with a head that was seen before. The columns seq,
// recorded_at and hash are for it; an import takes none of them into the log.
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
// # Forms to fill in
//
// [WriteFillIn] writes rows that lack what is to be found out, such as the result of
// an examination. They come back under the project's own mapping: a row in which all of
// it is still blank is skipped with a word.
//
// # Workbooks
//
// Under [WithWorkbook] the file is an .xlsx, of which one sheet is read by the
// same mapping. Its cells become the texts that a CSV file of the mapping would
// have: dates by the workbook's own system of days and the style of the cell, in
// the order that the mapping states for the column; so refused rows can be given
// out as CSV for the same mapping. A date where a number or word is meant refuses
// its row: a spreadsheet made it of something else.
//
// # Drafts
//
// [Suggest] drafts a mapping from the beginning of a sheet. What the sample
// shows it states with the reason; what it cannot show stands as [Choose], which
// [ParseMapping] refuses by name, so that a guess never reads a log. Any draft is
// a valid mapping as soon as all is chosen.
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
