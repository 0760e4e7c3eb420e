package outside

import (
	"encoding/csv"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
)

// Published is a row of testdata/harvest-checks.csv: a worked example or a
// value of a table that somebody else published, with where it stands.
type Published struct {
	ID, Quantity    string
	In              map[string]float64
	Want, Tolerance float64
	Source          string
}

// AllPublished reads every row.
func AllPublished(t testing.TB) []Published {
	t.Helper()
	_, here, _, _ := runtime.Caller(0)
	file, err := os.Open(filepath.Join(filepath.Dir(here), "..", "..", "testdata", "harvest-checks.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var all []Published
	for _, row := range rows[1:] {
		number := func(text string) float64 {
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				t.Fatalf("%s: %v", row[0], err)
			}
			return v
		}
		p := Published{ID: row[0], Quantity: row[1], In: map[string]float64{}, Source: row[6]}
		for pair := range strings.SplitSeq(row[2], ";") {
			name, text, _ := strings.Cut(pair, "=")
			p.In[name] = number(text)
		}
		p.Want, p.Tolerance = number(row[3]), number(row[5])
		all = append(all, p)
	}
	return all
}

// PublishedRow is the row of this id; without it the test fails.
func PublishedRow(t testing.TB, id string) Published {
	t.Helper()
	for _, p := range AllPublished(t) {
		if p.ID == id {
			return p
		}
	}
	t.Fatalf("no published row %s", id)
	return Published{}
}

// FreePort is an address on this computer that nobody listens on.
func FreePort(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}
