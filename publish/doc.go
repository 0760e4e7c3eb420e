// Package publish says what leaves the program and how it is written: MQTT
// topics and JSON payloads, one place for every output. It sends nothing
// itself; publish/mqtt and publish/phone do.
//
// Start with board.go: the Board holds the alerts that are active and the
// newest live values, so that a broker and a page tell the same. event.go has
// the event object that replay prints too, live.go the live values.
package publish
