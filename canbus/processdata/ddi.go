package processdata

import "sort"

// Entry describes a data dictionary identifier (ISO 11783-11).
type Entry struct {
	DDI        uint16
	Name       string
	Unit       string  // of the dictionary; empty for counts and states
	Resolution float64 // the value is raw x Resolution, in Unit
}

// The identifiers that the program gives a meaning.
const (
	ActualWorkingHeight = 62
	ActualWorkingWidth  = 67
	DefaultWorkingWidth = 68
	MaximumWorkingWidth = 70
	MassFlow            = 87
	CropLoss            = 98
	CropMoisture        = 99
	ActualWorkState     = 141
	FuelPerTime         = 149
	ThresherEngagedTime = 236
	HeaderHeightStatus  = 237
	UnloadingStatus     = 240
	SieveClearance      = 243
	ChafferClearance    = 247
	ConcaveClearance    = 251
	SeparationFanSpeed  = 255
	FunctionOrTechnique = 350
	ActualRevolutions   = 390
	ActualSpeed         = 397
	SpeedSource         = 400
	SpeedSimulated      = 5 // value of SpeedSource for a made-up speed
	ActualEngineSpeed   = 484
	ActualEngineTorque  = 502
	firstProprietary    = 57344
	lastProprietary     = 65534
)

// dictionary holds the entries that matter on a combine, ordered by number.
// Numbers, units and resolutions were the same in two exports of the public
// dictionary (AgIsoStack++ and isoxml-js).
var dictionary = []Entry{
	{62, "actual working height", "mm", 1},
	{66, "set point working width", "mm", 1},
	{67, "actual working width", "mm", 1},
	{68, "default working width", "mm", 1},
	{69, "minimum working width", "mm", 1},
	{70, "maximum working width", "mm", 1},
	{72, "actual volume content", "ml", 1},
	{73, "maximum volume content", "ml", 1},
	{75, "actual mass content", "g", 1},
	{76, "maximum mass content", "g", 1},
	{83, "volume per area yield", "ml/m2", 1},
	{84, "mass per area yield", "mg/m2", 1},
	{86, "volume per time yield", "ml/s", 1},
	{87, "mass per time yield", "mg/s", 1},
	{89, "yield total volume", "L", 1},
	{90, "yield total mass", "kg", 1},
	{92, "volume per area crop loss", "ml/m2", 1},
	{93, "mass per area crop loss", "mg/m2", 1},
	{95, "volume per time crop loss", "ml/s", 1},
	{96, "mass per time crop loss", "mg/s", 1},
	{98, "percentage crop loss", "ppm", 1},
	{99, "crop moisture", "ppm", 1},
	{100, "crop contamination", "ppm", 1},
	{116, "total area", "m2", 1},
	{117, "effective total distance", "mm", 1},
	{118, "ineffective total distance", "mm", 1},
	{119, "effective total time", "s", 1},
	{120, "ineffective total time", "s", 1},
	{134, "connector or reference offset x", "mm", 1},
	{135, "connector or reference offset y", "mm", 1},
	{136, "connector or reference offset z", "mm", 1},
	{141, "actual work state", "", 1},
	{147, "log count", "", 1},
	{148, "total fuel consumption", "ml", 1},
	{149, "fuel per time", "mm3/s", 1},
	{150, "fuel per area", "mm3/m2", 1},
	{151, "area per time capacity", "mm2/s", 1},
	{157, "connector type", "", 1},
	{160, "section control state", "", 1},
	{161, "actual condensed work state, sections 1 to 16", "", 1},
	{162, "actual condensed work state, sections 17 to 32", "", 1},
	{163, "actual condensed work state, sections 33 to 48", "", 1},
	{164, "actual condensed work state, sections 49 to 64", "", 1},
	{165, "actual condensed work state, sections 65 to 80", "", 1},
	{166, "actual condensed work state, sections 81 to 96", "", 1},
	{167, "actual condensed work state, sections 97 to 112", "", 1},
	{168, "actual condensed work state, sections 113 to 128", "", 1},
	{169, "actual condensed work state, sections 129 to 144", "", 1},
	{170, "actual condensed work state, sections 145 to 160", "", 1},
	{171, "actual condensed work state, sections 161 to 176", "", 1},
	{172, "actual condensed work state, sections 177 to 192", "", 1},
	{173, "actual condensed work state, sections 193 to 208", "", 1},
	{174, "actual condensed work state, sections 209 to 224", "", 1},
	{175, "actual condensed work state, sections 225 to 240", "", 1},
	{176, "actual condensed work state, sections 241 to 256", "", 1},
	{178, "element type instance", "", 1},
	{179, "actual cultural practice", "", 1},
	{181, "dry mass per area yield", "mg/m2", 1},
	{182, "dry mass per time yield", "mg/s", 1},
	{183, "yield total dry mass", "kg", 1},
	{184, "reference moisture for dry mass", "ppm", 1},
	{192, "ambient temperature", "mK", 1},
	{236, "thresher engagement total time", "s", 1},
	{237, "actual header working height status", "", 1},
	{238, "actual header rotational speed status", "", 1},
	{239, "yield hold status", "", 1},
	{240, "unloading and loading system status", "", 1},
	{241, "crop temperature", "mK", 1},
	{242, "set point sieve clearance", "mm", 1},
	{243, "actual sieve clearance", "mm", 1},
	{244, "minimum sieve clearance", "mm", 1},
	{245, "maximum sieve clearance", "mm", 1},
	{246, "set point chaffer clearance", "mm", 1},
	{247, "actual chaffer clearance", "mm", 1},
	{248, "minimum chaffer clearance", "mm", 1},
	{249, "maximum chaffer clearance", "mm", 1},
	{250, "set point concave clearance", "mm", 1},
	{251, "actual concave clearance", "mm", 1},
	{252, "minimum concave clearance", "mm", 1},
	{253, "maximum concave clearance", "mm", 1},
	{254, "set point separation fan speed", "1/s", 0.001},
	{255, "actual separation fan speed", "1/s", 0.001},
	{256, "minimum separation fan speed", "1/s", 0.001},
	{257, "maximum separation fan speed", "1/s", 0.001},
	{258, "hydraulic oil temperature", "mK", 1},
	{259, "yield lag ignore time", "ms", 1},
	{260, "yield lead ignore time", "ms", 1},
	{261, "average mass per time yield", "mg/s", 1},
	{262, "average crop moisture", "ppm", 1},
	{263, "average mass per area yield", "mg/m2", 1},
	{269, "lifetime yield total mass", "kg", 1},
	{271, "lifetime total area", "m2", 1},
	{274, "lifetime effective total time", "s", 1},
	{276, "lifetime fuel consumption", "L", 0.5},
	{282, "lifetime threshing engagement time", "s", 1},
	{289, "set point work state", "", 1},
	{316, "effective total fuel consumption", "ml", 1},
	{317, "ineffective total fuel consumption", "ml", 1},
	{321, "last unloaded weight", "g", 1},
	{324, "chopper engagement total time", "s", 1},
	{326, "set point header speed", "1/s", 0.001},
	{327, "actual header speed", "1/s", 0.001},
	{330, "set point cutting drum speed", "1/s", 0.001},
	{331, "actual cutting drum speed", "1/s", 0.001}, // of a forage chopper, not a threshing rotor
	{340, "total unloading time", "s", 1},
	{350, "function or operation technique", "", 1},
	{358, "average dry mass per time yield", "mg/s", 1},
	{359, "average dry mass per area yield", "mg/m2", 1},
	{390, "actual revolutions per time", "rpm", 0.0001},
	{394, "actual fuel content", "ml", 1},
	{397, "actual speed", "mm/s", 1},
	{400, "speed source", "", 1},
	{406, "actual protein", "ppm", 1},
	{407, "average protein", "ppm", 1},
	{408, "average crop contamination", "ppm", 1},
	{429, "unloaded total mass", "kg", 1},
	{453, "total unloaded volume", "ml", 1},
	{457, "last unloaded volume", "ml", 1},
	{467, "actual percentage content", "%", 0.01},
	{484, "actual engine speed", "rpm", 0.0001},
	{490, "maximum fuel content", "ml", 1},
	{491, "fuel level", "%", 0.01},
	{492, "total engine hours", "h", 0.05},
	{493, "lifetime engine hours", "h", 0.1},
	{502, "actual engine torque", "%", 0.001},
	{514, "GNSS quality", "", 1},
	{541, "actual power take-off speed", "rpm", 0.0001},
	{546, "chopper engagement lifetime time", "s", 1},
	{579, "actual temperature", "mK", 1},
	{595, "machine mode", "", 1},
	{597, "total distance", "mm", 1},
	{599, "total distance in field", "mm", 1},
	{601, "total distance on street", "mm", 1},
	{679, "contamination total mass", "kg", 1},
	{57342, "data of a parameter group", "", 1},
	{57343, "request for the default process data", "", 1},
}

// Entries lists the known identifiers by number.
func Entries() []Entry { return append([]Entry(nil), dictionary...) }

// Lookup finds the entry of an identifier. It is false for numbers that the
// program gives no meaning, among them the proprietary ones.
func Lookup(ddi uint16) (Entry, bool) {
	i := sort.Search(len(dictionary), func(i int) bool { return dictionary[i].DDI >= ddi })
	if i < len(dictionary) && dictionary[i].DDI == ddi {
		return dictionary[i], true
	}
	return Entry{}, false
}

// Proprietary tells whether the meaning of the identifier is its maker's own.
func Proprietary(ddi uint16) bool { return ddi >= firstProprietary && ddi <= lastProprietary }

// ours turns the units of the dictionary into those in which a person thinks.
var ours = []struct {
	from, to      string
	scale, offset float64
}{
	{"mg/s", "t/h", 3.6e-6, 0},
	{"mg/m2", "t/ha", 1e-5, 0},
	{"ml/s", "m3/h", 3.6e-3, 0},
	{"mm3/s", "L/h", 3.6e-3, 0},
	{"mm2/s", "ha/h", 3.6e-7, 0},
	{"mm/s", "km/h", 3.6e-3, 0},
	{"ppm", "%", 1e-4, 0},
	{"1/s", "rpm", 60, 0},
	{"mK", "Cel", 1e-3, -273.15},
	{"m2", "ha", 1e-4, 0},
}

// Scale says how a raw value becomes one in a unit in which a person thinks:
// raw x scale + offset. Units that are such already stay as they are.
func (e Entry) Scale() (scale, offset float64, unit string) {
	for _, o := range ours {
		if o.from == e.Unit {
			return e.Resolution * o.scale, o.offset, o.to
		}
	}
	return e.Resolution, 0, e.Unit
}

// Convert is Scale applied to a value.
func (e Entry) Convert(raw int32) (float64, string) {
	scale, offset, unit := e.Scale()
	return float64(raw)*scale + offset, unit
}
