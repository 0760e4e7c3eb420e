// Package canbus brings in frames: from a live SocketCAN interface
// (socket_linux.go) and from recorded logs (log.go), and writes logs
// (logwriter.go).
//
// It listens only. Nothing in the program can send a frame: the socket is
// used for receiving alone, and internal/listenonly holds the whole module to
// that.
//
// Frame is the vocabulary; Timeline turns the stamps of frames into event
// time that never jumps. What the bytes of a frame mean is the business of
// canbus/j1939, canbus/processdata and canbus/decode.
package canbus
