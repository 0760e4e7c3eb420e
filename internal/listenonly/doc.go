// Package listenonly has no code. Its tests hold the whole module to one
// promise: the program never sends on a CAN bus.
package listenonly
