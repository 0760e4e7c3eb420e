package export_test

import (
	"archive/zip"
	"bytes"
	"compress/gzip"
	"context"
	_ "embed"
	"encoding/base64"
	"encoding/json"
	"html"
	"io"
	"math"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/processdata"
	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/internal/outside"
	"chaffinch/store/export"

	"github.com/pb33f/jsonschema/v6"
)

//go:embed testdata/geojson-FeatureCollection.json
var collectionSchema []byte

// The map is as the schema of the authors of GeoJSON says (npm geojson-schema
// 1.0.5), and the schema refuses what is none.
func TestMapFitsThePublishedSchema(t *testing.T) {
	schema, err := jsonschema.UnmarshalJSON(bytes.NewReader(collectionSchema))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	const id = "https://geojson.org/schema/FeatureCollection.json"
	if err := c.AddResource(id, schema); err != nil {
		t.Fatal(err)
	}
	compiled, err := c.Compile(id)
	if err != nil {
		t.Fatal(err)
	}
	fits := func(text []byte) error {
		value, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
		if err != nil {
			return err
		}
		return compiled.Validate(value)
	}
	for _, src := range []*export.Source{open(t, stored(t)), undated(t)} {
		text := written(t, src, "geojson", export.Part{})
		if err := fits(text); err != nil {
			t.Error(err)
		}
		if fits(bytes.Replace(text, []byte(`"LineString"`), []byte(`"LineStrong"`), 1)) == nil {
			t.Error("the schema takes anything")
		}
	}
}

// GDAL (ogrinfo, Debian gdal-bin) reads the map: as many features as there are
// lines, alarms where they were, and a track as long as the way over the positions.
func TestMapIsReadByGDAL(t *testing.T) {
	ogrinfo := outside.Tool(t, "ogrinfo")
	src := open(t, stored(t))
	text := written(t, src, "geojson", export.Part{Shift: 1})
	file := write(t, "shift.geojson", text)
	ask := func(query string) string {
		out, err := exec.Command(ogrinfo, "-q", "-dialect", "SQLite", "-sql", query, file).CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		return string(out)
	}
	number := func(query string) float64 {
		out := ask(query)
		m := regexp.MustCompile(`n \(\w+\) = (\S+)`).FindStringSubmatch(out)
		if m == nil {
			t.Fatal(out)
		}
		v, err := strconv.ParseFloat(m[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	if n, want := number(`select count(*) as n from "shift"`), len(lines(text))-2; int(n) != want {
		t.Errorf("%v features of %d", n, want)
	}
	alarms := 0
	for e, err := range src.Events(export.Part{Shift: 1}) {
		if err != nil {
			t.Fatal(err)
		}
		if e.Latitude != nil {
			alarms++
		}
	}
	if n := number(`select count(*) as n from "shift" where kind='alert' and st_x(geometry) between 14 and 15 and st_y(geometry) between 50 and 51`); int(n) != alarms || alarms == 0 {
		t.Errorf("%v alarms in their place, want %d", n, alarms)
	}
	// The way over the positions of the rows, by the haversine.
	km, before := 0.0, [2]float64{}
	for row, err := range src.Rows(export.Part{Shift: 1}) {
		if err != nil {
			t.Fatal(err)
		}
		lat, ok := row.Value(signal.Latitude.ID)
		lon, ok2 := row.Value(signal.Longitude.ID)
		if !ok || !ok2 {
			continue
		}
		at := [2]float64{lat * math.Pi / 180, lon * math.Pi / 180}
		if before != [2]float64{} {
			h := math.Pow(math.Sin((at[0]-before[0])/2), 2) + math.Cos(at[0])*math.Cos(before[0])*math.Pow(math.Sin((at[1]-before[1])/2), 2)
			km += 2 * 6371.0088 * math.Asin(math.Sqrt(h))
		}
		before = at
	}
	if n := number(`select sum(st_length(st_transform(geometry, 32633)))/1000 as n from "shift" where kind='track'`); math.Abs(n/km-1) > 0.01 || km < 2*hours() {
		t.Errorf("the track is %.3f km long, the way was %.3f", n, km)
	}
}

// task is task data as somebody else's reader has them.
type task struct {
	Warnings []string
	Tasks    []struct {
		Name, Status string
		Totals       map[string]int64
		Logs         []struct {
			Records  int
			Sums     map[string]float64
			Counts   map[string]int
			First    time.Time
			Last     time.Time
			BBox     []float64
			Invalid  int
			Elements []string
		}
	}
}

//go:embed testdata/isoxml.js.gz
var isoxmlZipped []byte

// read reads task data with the library isoxml (npm, 1.11.2) in Chromium.
func read(t *testing.T, data []byte) (out task) {
	t.Helper()
	chromium := outside.Tool(t, "chromium")
	z, err := gzip.NewReader(bytes.NewReader(isoxmlZipped))
	if err != nil {
		t.Fatal(err)
	}
	library, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	folder := filepath.Dir(write(t, "page.html", []byte(`<!doctype html><meta charset="utf-8"><script>`+strings.ReplaceAll(string(library), "</script", `<\/script`)+`</script>
<pre id="out"></pre><script>
(async () => {
  const bytes = Uint8Array.from(atob("`+base64.StdEncoding.EncodeToString(data)+`"), (c) => c.charCodeAt(0));
  const manager = new isoxml.ISOXMLManager({version: 4});
  await manager.parseISOXMLFile(bytes, 'application/zip');
  const out = {Warnings: manager.getWarnings(), Tasks: []};
  for (const t of manager.rootElement.attributes.Task || []) {
    const task = {Name: t.attributes.TaskDesignator, Status: t.attributes.TaskStatus, Totals: {}, Logs: []};
    for (const time of t.attributes.Time || [])
      for (const v of time.attributes.DataLogValue || []) task.Totals[v.attributes.ProcessDataDDI] = v.attributes.ProcessDataValue;
    for (const l of t.attributes.TimeLog || []) {
      const p = l.parseBinaryFile();
      const log = {Records: p.timeLogs.length, Sums: {}, Counts: {}, BBox: p.bbox, Invalid: 0,
        First: p.timeLogs[0].time, Last: p.timeLogs[p.timeLogs.length - 1].time, Elements: p.valuesInfo.map((v) => v.deviceElementDesignator)};
      const now = {};
      for (const r of p.timeLogs) {
        if (!r.isValidPosition) log.Invalid++;
        Object.assign(now, r.values);
        for (const key in now) { log.Sums[key] = (log.Sums[key] || 0) + now[key]; log.Counts[key] = (log.Counts[key] || 0) + 1; }
      }
      task.Logs.push(log);
    }
    out.Tasks.push(task);
  }
  document.getElementById('out').textContent = JSON.stringify(out);
})().catch((e) => { document.getElementById('out').textContent = 'failed: ' + e.stack; });
</script>`)))
	ctx, cancel := context.WithTimeout(context.Background(), 60*time.Second)
	defer cancel()
	page, err := exec.CommandContext(ctx, chromium, "--headless", "--no-sandbox", "--disable-gpu", "--user-data-dir="+filepath.Join(folder, "profile"),
		"--virtual-time-budget=60000", "--dump-dom", "file://"+filepath.Join(folder, "page.html")).Output()
	if err != nil {
		t.Fatal(err)
	}
	_, text, _ := strings.Cut(string(page), `<pre id="out">`)
	text, _, _ = strings.Cut(text, "</pre>")
	if err := json.Unmarshal([]byte(html.UnescapeString(text)), &out); err != nil {
		t.Fatalf("%v: %.500s", err, text)
	}
	return out
}

// Somebody else's reader finds in the task data what the store has: the seconds,
// the sums of each value over them, the totals.
func TestTaskDataAreReadByOthers(t *testing.T) {
	src := open(t, stored(t))
	got := read(t, written(t, src, "isoxml", export.Part{}))
	for _, w := range got.Warnings {
		// It looks for names in lower case, the standard has them in upper case.
		if !strings.HasPrefix(w, "Letter case of filename TLG") {
			t.Error(w)
		}
	}
	if len(got.Tasks) != 1 || got.Tasks[0].Status != "4" || got.Tasks[0].Name != "Shift 1 wheat" {
		t.Fatalf("%+v", got)
	}
	records, cutting, rows, cut := 0, 0.0, 0, 0.0
	sums, held := map[string]float64{}, map[string]float64{}
	values := map[string]signal.ID{"0043_DET2": signal.CutWidth.ID, "0057_DET1": signal.GrainFlow.ID, "0063_DET1": signal.GrainMoisture.ID, "0186_DET3": signal.RotorSpeed.ID}
	scale := map[string]float64{"0043_DET2": 1000, "0057_DET1": 1e9 / 3600, "0063_DET1": 1e4, "0186_DET3": 1e4}
	for row, err := range src.Rows(export.Part{Shift: 1}) {
		if err != nil {
			t.Fatal(err)
		}
		if _, ok := row.Value(signal.Latitude.ID); !ok {
			continue
		}
		rows++
		if row.Activity.String() == "cutting" {
			cut++
		}
		for key, id := range values {
			if v, ok := row.Value(id); ok {
				held[key] = v * scale[key]
			}
			sums[key] += held[key]
		}
	}
	all := map[string]float64{}
	for _, l := range got.Tasks[0].Logs {
		records += l.Records
		cutting += l.Sums["008D_DET2"]
		for key := range values {
			all[key] += l.Sums[key]
		}
		if l.Invalid > 0 || len(l.BBox) != 4 || l.BBox[1] < 50 || l.BBox[3] > 51 {
			t.Errorf("%d positions are none, bounds %v", l.Invalid, l.BBox)
		}
	}
	if records != rows || cutting != cut || rows < int(2000*hours()) {
		t.Errorf("%d records, %v of cutting; %d rows, %v of cutting", records, cutting, rows, cut)
	}
	for key := range values {
		if math.Abs(all[key]-sums[key]) > float64(rows) || sums[key] == 0 {
			t.Errorf("%s adds up to %v, want %v", key, all[key], sums[key])
		}
	}
	shift, err := src.Shift(1)
	if err != nil {
		t.Fatal(err)
	}
	total := shift.Told.Shift.Total
	for ddi, want := range map[string]float64{"0074": total.AreaHa.Value * 1e4, "005A": total.GrainT.Value * 1000, "0094": total.FuelL.Value * 1000, "0077": total.Times.CuttingS, "0255": total.DrivenKm.Value * 1e6} {
		if v := float64(got.Tasks[0].Totals[ddi]); math.Abs(v-want) > 0.5 || want == 0 {
			t.Errorf("%s is %v, want %v", ddi, v, want)
		}
	}
	date, ok := src.DateOf(shift.Told.Shift.Began)
	if first := got.Tasks[0].Logs[0].First; !ok || first.Sub(date).Abs() > time.Second {
		t.Errorf("it begins at %s, want %s", first, date)
	}
}

// Without a date there are no logs, no times and no totals, and the file says so.
func TestTaskDataWithoutDates(t *testing.T) {
	data := written(t, undated(t), "isoxml", export.Part{})
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil || len(z.File) != 1 {
		t.Fatal(err, z.File)
	}
	file, err := z.Open("TASKDATA/TASKDATA.XML")
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(file)
	if err != nil || !strings.Contains(string(text), "No clock could be trusted") || strings.Contains(string(text), "<TIM") || strings.Contains(string(text), "<TLG") {
		t.Errorf("%v %s", err, text)
	}
	if got := read(t, data); len(got.Tasks) != 1 || len(got.Tasks[0].Logs)+len(got.Tasks[0].Totals) != 0 {
		t.Errorf("%+v", got)
	}
}

// Grain that was estimated is not given as if it had been weighed: a machine that
// tells nothing of its own.
func TestTaskDataWithoutGrainFlow(t *testing.T) {
	scenario := virtual.Random(3, 0.5)
	scenario.Signals = "bare"
	file, _ := recorded(scenario)
	src := open(t, write(t, "store.db", file))
	if grain := src.Shifts()[0].Told.Shift.Total.GrainT; grain == nil || !grain.Estimated {
		t.Fatalf("grain is %+v", grain)
	}
	data := written(t, src, "isoxml", export.Part{})
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	xml, err := z.Open("TASKDATA/TASKDATA.XML")
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(xml)
	if err != nil || strings.Contains(string(text), `DLV A="005A"`) || !strings.Contains(string(text), "The grain was estimated and is left out") {
		t.Errorf("%v %s", err, text)
	}
}

// xmllint (Debian libxml2-utils) finds the XML well-formed, and every identifier
// is one of the public dictionary.
func TestTaskDataAreXML(t *testing.T) {
	data := written(t, open(t, stored(t)), "isoxml", export.Part{})
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	xmllint := outside.Tool(t, "xmllint")
	for _, f := range z.File {
		if filepath.Ext(f.Name) != ".XML" {
			continue
		}
		file, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(file)
		if err != nil {
			t.Fatal(err)
		}
		if out, err := exec.Command(xmllint, "--noout", write(t, "task.xml", text)).CombinedOutput(); err != nil {
			t.Errorf("%s: %s", f.Name, out)
		}
		for _, m := range regexp.MustCompile(`<(?:DLV A|DPD A="\d+" B|DPT A="\d+" B)="([0-9A-F]{4})"`).FindAllStringSubmatch(string(text), -1) {
			ddi, _ := strconv.ParseUint(m[1], 16, 16)
			if _, ok := processdata.Lookup(uint16(ddi)); !ok {
				t.Errorf("%s: %s is no identifier of the dictionary", f.Name, m[1])
			}
		}
	}
}
