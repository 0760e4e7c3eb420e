// Package mqtt brings what package publish writes to MQTT 3.1.1 brokers: one
// inside the program for the cab, and one elsewhere through the outbox.
//
// Start with broker.go for the broker inside, and uplink.go for the other
// one. The libraries behind them stay behind them: their traps, and what is
// done about each, stand where it is done.
package mqtt
