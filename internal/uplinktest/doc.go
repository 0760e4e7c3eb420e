// Package uplinktest sends the messages of many machines to brokers that others
// wrote, and takes these brokers away in the middle. It has tests only: each
// machine has its own store and uplink (machine_test.go), the office keeps a
// session at the broker (office_test.go), and the brokers run with the very
// configuration that publish/mqtt/OFFICE.md gives (page_test.go).
package uplinktest
