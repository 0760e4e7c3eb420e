// Package phone serves the page for the phone in the cab and the HTTP API
// behind it: openapi.yaml describes that, SECURITY.md what keeps strangers out.
//
//	server, err := phone.New(phone.Options{Settings: ..., Board: board, Submit: submit})
//	err = server.Run(ctx)
//
// The facts come from a publish.Board and inputs go to a publish.Submit, so that
// the page tells and takes the same as MQTT. Nothing that a client does, or does
// not do, can hold up the program: the server only looks at the board.
//
// Files: server.go starts and stops; gate.go is what every request must pass,
// routes.go the table of all routes; stream.go, read.go and write.go answer
// them; pairing.go and device.go know who may do what; listener.go and rate.go
// bound what strangers can use up.
package phone
