package processdata

import (
	"encoding/hex"
	"testing"
)

// The two records of the published sample in ISO 11783-10 form: 8,445,568 mg/s,
// 9,150 mm and state 1; then only the mass flow. A cut record is refused.
func TestTimeRecordsOfASample(t *testing.T) {
	b, err := hex.DecodeString("0074B701094100E80A1FA24A9107010C03" + "0080DE8000" + "01BE230000" + "0201000000" +
		"E877B70109417AE80A1FE04A9107010C01" + "0039427A00")
	if err != nil {
		t.Fatal(err)
	}
	has := TimeFields{North: true, East: true, Status: true, Satellites: true}
	first, rest, err := ParseTimeRecord(b, has)
	if err != nil || len(first.Values) != 3 || first.Values[0] != (TimeValue{0, 8445568}) || first.Values[1] != (TimeValue{1, 9150}) || first.Values[2] != (TimeValue{2, 1}) {
		t.Fatalf("%+v %v", first, err)
	}
	second, rest, err := ParseTimeRecord(rest, has)
	if err != nil || len(rest) != 0 || len(second.Values) != 1 || second.Time.Sub(first.Time).Milliseconds() != 1000 {
		t.Fatalf("%+v %v, %d bytes more", second, err, len(rest))
	}
	for n := range len(b) / 2 {
		if _, _, err := ParseTimeRecord(b[:min(n, 31)], has); err == nil {
			t.Errorf("%d bytes were taken for a record", min(n, 31))
		}
	}
}
