package signal

// System is the system of units in which numbers are shown to people.
// Everything inside the program, in the store and in messages is metric.
type System string

const (
	Metric System = "metric"
	US     System = "us" // miles, acres, bushels, Fahrenheit
)
