// Package signal is the vocabulary of the program: units, instants, quality,
// and the list of signals that a harvester may give.
//
// It imports only the standard library and may be imported by every package.
// Start with list.go: every signal that chaffinch knows stands there once,
// with its unit, its physical range and the age at which it goes stale.
package signal
