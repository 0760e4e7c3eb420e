// Package report makes the shift's report: one HTML page that holds all it needs,
// runs no script, and prints on A4 or Letter. It is for the one who reads it in the
// evening: what was done, where the time went, what went wrong where, what was
// tried and whether it helped, and what to look at before tomorrow.
//
// How to read the package: a Format (report.go) gathers a shift (gather.go), draws the
// map and the curves (map.go, curve.go, axis.go), and fills page.html.
package report
