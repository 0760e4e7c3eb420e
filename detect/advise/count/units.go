package count

// US units in metric ones: definitions.
const (
	Foot     = 0.3048      // m
	Inch     = Foot / 12   // m
	MileKm   = 1.609344    // km
	Acre     = 0.404685642 // ha: 43,560 square feet
	Pound    = 0.45359237  // kg
	SquareFt = Foot * Foot // m2
)

// BushelKgHa is how many kg/ha one bushel an acre is, for a bushel of so many
// pounds.
func BushelKgHa(pounds float64) float64 { return pounds * Pound / Acre }

// BushelPounds is the legal bushel that goes with a test weight in kg/hl: a US
// bushel is 0.352391 hl, and legal ones are whole pounds.
func BushelPounds(kgHL float64) float64 { return float64(int(kgHL*0.352391/Pound + 0.5)) }

// AreaRate is the area covered in ha/h: cut width in m, ground speed in km/h,
// and the share of the time that the machine is at it, 1 while it cuts (ASABE
// EP496).
func AreaRate(widthM, speedKmh, efficiency float64) float64 {
	return widthM * speedKmh / 10 * efficiency
}

// TonnesPerHour is the flow of grain that so many kg/ha make at an area rate.
func TonnesPerHour(areaRateHaH, kgHa float64) float64 { return areaRateHaH * kgHa / 1000 }

// AtMoisture is the mass of grain at another moisture, both in % wet basis: its
// dry matter stays.
func AtMoisture(mass, isPct, shallPct float64) float64 {
	return mass * (100 - isPct) / (100 - shallPct)
}

// KgHa is the loss that so many kernels on a square metre are.
func KgHa(kernelsM2, thousandKernelG float64) float64 { return kernelsM2 * thousandKernelG / 100 }

// ThousandKernelG is the mass of a thousand kernels that a counting rule
// implies: so many on a square metre are so many kg/ha.
func ThousandKernelG(kernelsM2, kgHa float64) float64 { return 100 * kgHa / kernelsM2 }

// SharePct is a loss as a share of the crop: of what was harvested and what
// was lost.
func SharePct(lost, harvested float64) float64 { return 100 * lost / (harvested + lost) }

// Money is what a loss is worth: kg/ha at a price of a tonne.
func Money(kgHa, pricePerT float64) float64 { return kgHa / 1000 * pricePerT }
