package export

import (
	"context"
	"io"
)

// Format is a form in which a part of a store is handed over.
type Format struct {
	Name  string // as on the command line
	Tail  string // of a file's name, with the point
	Type  string // media type
	Words string // what it is, for a list
	// Write writes a part. It ends when ctx does. The same store and part give the
	// same bytes.
	Write func(ctx context.Context, w io.Writer, s *Source, p Part) error
	// Style tells apart what is written differently for other readers of the same
	// name of form; none, if there is one way only.
	Style string
	// Zipped is set where the bytes are compressed as they are.
	Zipped bool
}

// Formats are those that this package writes.
func Formats() []Format {
	return []Format{
		{Name: "csv", Tail: ".csv", Type: "text/csv; charset=utf-8; header=present", Words: "Table of all signals, one row a second (CSV)", Write: CSV},
		{Name: "events", Tail: ".events.csv", Type: "text/csv; charset=utf-8; header=present", Words: "Table of alerts (CSV)", Write: EventsCSV},
		{Name: "jsonl", Tail: ".jsonl", Type: "application/jsonl", Words: "All that was told, as JSON lines", Write: JSONLines},
		{Name: "geojson", Tail: ".geojson", Type: "application/geo+json", Words: "Map of track and alerts (GeoJSON)", Write: GeoJSON},
		{Name: "isoxml", Tail: ".isoxml.zip", Type: "application/zip", Words: "Task data for farm software (ISO 11783-10, zip)", Write: ISOXML, Zipped: true},
	}
}
