// Package faults holds the running program to its promises while things go wrong
// around it: a disk that is full, broken or slow, a clock that jumps, a bus full of
// rubbish, little memory, a long shift. It has tests only.
//
// In each of them the daemon runs on a make-believe combine, in its own process or
// as the built program, and the alarms of the run are held against those of a run
// to which nothing happened. What people were shown has to be in the store
// afterwards, in order, and bbolt's own checker has to find the file whole.
//
// What a kernel is needed for (interfaces that go, a power cut) is in
// internal/onkernel; DEVELOPERS.md has the table of all promises and their tests.
package faults
