// Package config reads the one configuration file of the program.
//
// Every package owns the struct, the defaults and the checks of its own table;
// this package binds text to them and says what is wrong with the text: all
// mistakes at once, each with file, line, the line itself and what to do.
// Nothing is guessed: an unknown key is a mistake.
//
// Start with config.go. The way of a file: parse.go (TOML to a tree, with the
// lines of its keys), bind.go (tree to structs), the Validate methods of the
// structs, and mistake.go (how it is said).
package config
