package virtual

// Model is a machine size. The sizes are round numbers of the trade, not any
// maker's machine.
type Model struct {
	Name           string
	RatedKW        float64 // net engine power at rated speed
	RatedRPM       float64
	MassT          float64 // with header and an empty tank
	HeaderM        float64 // grain header
	MaizeM         float64 // row header for maize
	TankM3         float64
	UnloadTH       float64 // flow of the unloading auger, t/h
	UnloadKW       float64 // its power when full: 15 to 40 kW (common practice, no source)
	RotorDiameterM float64
	RotorInertia   float64 // kg m2; 50 for a machine of 250 kW is the assumption behind check H105
	Sections       int     // sections of the header in the device descriptor pool; 0: none
}

var models = [...]Model{
	{Name: "compact", RatedKW: 130, RatedRPM: 2200, MassT: 10, HeaderM: 4.8, MaizeM: 4.5, TankM3: 5, UnloadTH: 150, UnloadKW: 15, RotorDiameterM: 0.60, RotorInertia: 25},
	{Name: "medium", RatedKW: 190, RatedRPM: 2100, MassT: 13.5, HeaderM: 6.7, MaizeM: 4.5, TankM3: 8, UnloadTH: 230, UnloadKW: 20, RotorDiameterM: 0.66, RotorInertia: 38},
	{Name: "large", RatedKW: 250, RatedRPM: 2000, MassT: 18, HeaderM: 9.144, MaizeM: 6.096, TankM3: 10.57, UnloadTH: 300, UnloadKW: 27, RotorDiameterM: 0.70, RotorInertia: 50, Sections: 6},
	{Name: "wide", RatedKW: 340, RatedRPM: 1900, MassT: 20, HeaderM: 10.7, MaizeM: 9.1, TankM3: 12.5, UnloadTH: 380, UnloadKW: 33, RotorDiameterM: 0.75, RotorInertia: 64, Sections: 12},
	{Name: "giant", RatedKW: 460, RatedRPM: 1900, MassT: 22, HeaderM: 13.7, MaizeM: 12.2, TankM3: 15, UnloadTH: 500, UnloadKW: 40, RotorDiameterM: 0.80, RotorInertia: 85, Sections: 14},
}

// Models are the machine sizes that a Scenario can name.
func Models() []Model { return append([]Model(nil), models[:]...) }

// Crop is what is harvested: typical numbers, all of them within the ranges
// of common tables.
type Crop struct {
	Name        string
	YieldTHa    float64
	MOGRatio    float64 // MOG over grain, both as taken in
	MoisturePct float64
	KGPerM3     float64 // test weight
	// Rotary power is BaseKW (for a machine of 250 kW) + PerMOG x MOG +
	// PerGrain x grain, kWh/t: the form of ASABE D497.
	BaseKW, PerMOG, PerGrain float64
	TipMS                    float64 // rotor tip speed
	FanRPM                   float64
	ConcaveMM                float64
	UpperMM, LowerMM         float64
	TopKMH                   float64 // the operator goes no faster
	CutMM                    float64 // cutting height
	RowHeader                bool
}

// Small grains 20 kW + 3.6 kWh/t of MOG, maize 35 kW + 1.6 kWh/t of grain:
// ASABE D497 Table 2. The other crops are small grains moved within its
// expected range of 50 %.
var crops = [...]Crop{
	{Name: "wheat", YieldTHa: 7, MOGRatio: 0.8, MoisturePct: 14, KGPerM3: 772, BaseKW: 20, PerMOG: 3.6, TipMS: 27, FanRPM: 900, ConcaveMM: 10, UpperMM: 15, LowerMM: 8, TopKMH: 8.5, CutMM: 180},
	{Name: "barley", YieldTHa: 6.2, MOGRatio: 0.8, MoisturePct: 14, KGPerM3: 618, BaseKW: 20, PerMOG: 3.3, TipMS: 25, FanRPM: 820, ConcaveMM: 11, UpperMM: 15, LowerMM: 9, TopKMH: 8.5, CutMM: 160},
	{Name: "oats", YieldTHa: 5, MOGRatio: 1.0, MoisturePct: 14, KGPerM3: 412, BaseKW: 20, PerMOG: 3.4, TipMS: 26, FanRPM: 760, ConcaveMM: 10, UpperMM: 16, LowerMM: 9, TopKMH: 8.5, CutMM: 170},
	{Name: "maize", YieldTHa: 10.5, MOGRatio: 0.28, MoisturePct: 22, KGPerM3: 721, BaseKW: 35, PerGrain: 1.6, TipMS: 16, FanRPM: 1050, ConcaveMM: 26, UpperMM: 17, LowerMM: 13, TopKMH: 9, CutMM: 500, RowHeader: true},
	{Name: "soybean", YieldTHa: 3.6, MOGRatio: 0.9, MoisturePct: 13, KGPerM3: 772, BaseKW: 20, PerMOG: 4.2, TipMS: 17, FanRPM: 950, ConcaveMM: 15, UpperMM: 16, LowerMM: 10, TopKMH: 8, CutMM: 60},
	{Name: "canola", YieldTHa: 3.2, MOGRatio: 1.9, MoisturePct: 9, KGPerM3: 644, BaseKW: 20, PerMOG: 3.4, TipMS: 15, FanRPM: 600, ConcaveMM: 18, UpperMM: 8, LowerMM: 4, TopKMH: 7.5, CutMM: 350},
	{Name: "rice", YieldTHa: 7, MOGRatio: 1.1, MoisturePct: 20, KGPerM3: 579, BaseKW: 22, PerMOG: 4.4, TipMS: 26, FanRPM: 840, ConcaveMM: 9, UpperMM: 14, LowerMM: 8, TopKMH: 5.5, CutMM: 250},
}

// Crops are the crops that a Scenario can name.
func Crops() []Crop { return append([]Crop(nil), crops[:]...) }

func modelNamed(name string) (Model, bool) {
	for _, m := range models {
		if m.Name == name {
			return m, true
		}
	}
	return Model{}, false
}

func cropNamed(name string) (Crop, bool) {
	for _, c := range crops {
		if c.Name == name {
			return c, true
		}
	}
	return Crop{}, false
}

// Width is the width in m of the header that the machine carries in the crop.
func (m Model) Width(c Crop) float64 {
	if c.RowHeader {
		return m.MaizeM
	}
	return m.HeaderM
}
