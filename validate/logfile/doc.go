// Package logfile reads the logs that capacity loggers write: whatever separator, header, units, dates and language they chose.
//
// [ParseLines] reads a log that is whole in memory, [Reader] one of any size as a stream. Both find out by the same rules:
//
//   - the separator (comma, semicolon, tab, bar, runs of blanks) and the decimal sign, by what makes most lines rows of one length;
//   - the header, its line of units, and what each column holds, by unit and word in English, German, French and Spanish: the
//     unit decides over the word, and a `columns:` block of the user decides over both;
//   - what times are: wall clock, elapsed time or ticks, by words and by the look of the cells.
//
// What stays ambiguous is an [Error] that shows the readings and the block to add, never a guess. A column without a unit
// is taken as s, V, A, W, Ah, Wh and marked Guessed, for its values must agree. A malformed row is a [Problem]; repeated
// headers, remarks, titles and closing lines are none.
//
// Plain rows are read in one pass, by as many goroutines ahead of Next as Options.Workers says. They end with the piece that they
// were given; none is left when a Reader is given up. A reader of one line at a time, that knows all forms, stands beside
// them, and tests hold both to the same bits.
//
// Values are SI: s, V, A, W, A·s, W·s, K; NaN where a cell is missing. The sign is as printed: which way is positive is for
// the judge to find. Beside each value stands the SI size of one unit in its last printed place.
package logfile
