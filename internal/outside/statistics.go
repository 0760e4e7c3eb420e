package outside

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"testing"
)

// Statistics are the rows of a table of testdata/statistics, by the names of its
// columns. Where each table comes from stands in the README there.
func Statistics(t testing.TB, name string) []map[string]string {
	t.Helper()
	_, here, _, _ := runtime.Caller(0)
	f, err := os.Open(filepath.Join(filepath.Dir(here), "..", "..", "testdata", "statistics", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(rows), err)
	}
	var all []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, v := range row {
			m[rows[0][i]] = v
		}
		all = append(all, m)
	}
	return all
}

// Number is a number of such a table.
func Number(t testing.TB, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
