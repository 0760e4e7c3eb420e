// Package history keeps what the machine did at one row a second, in blocks
// that are records of kind History.
//
// A block holds up to MaxRows rows of one shift, or of no shift. It says of
// each column what it is, in which steps its numbers are counted, and when it
// was not known. Columns are differences of whole numbers, in the smallest of
// four forms; so a row of thirty signals takes some twenty bytes.
//
//	block    version 1 byte, number of the shift, count of rows, count of columns, columns
//	column   code 1 byte, power of ten of its step 1 byte, known, form 1 byte, numbers
//	known    0: in all rows; else the count of runs, and the lengths of runs of
//	         rows in which it is known and is not, in turn
//	numbers  form 0, one value: the value
//	         form 1, a straight line: the value and the difference
//	         form 2, differences: the value, and a varint for each further one
//	         form 3, packed differences: the value, the bits of one, and as many
//	         bits for each, from the lowest on
//
// Whole numbers are varints of encoding/binary, signed ones in zigzag form. A
// column that was never known is left out. What comes behind the last column
// is of a newer version of the block and is refused.
package history
