package j1939

import "strconv"

// fmiWords says in our words what SAE J1939-73 means by each failure mode.
// 22 to 30 are reserved there.
var fmiWords = [32]string{
	0:  "far too high",
	1:  "far too low",
	2:  "erratic or implausible",
	3:  "voltage too high",
	4:  "voltage too low",
	5:  "current too low or circuit open",
	6:  "current too high or short to ground",
	7:  "mechanical part does not respond",
	8:  "frequency or pulse width wrong",
	9:  "updates come at the wrong rate",
	10: "changes too fast",
	11: "cause not known",
	12: "device or component bad",
	13: "out of calibration",
	14: "see the machine's manual",
	15: "a little too high",
	16: "too high",
	17: "a little too low",
	18: "too low",
	19: "bad data received from the network",
	20: "drifted high",
	21: "drifted low",
	31: "condition present",
}

// FMIWords says what a failure mode (0 to 31) means.
func FMIWords(fmi uint8) string {
	if int(fmi) < len(fmiWords) && fmiWords[fmi] != "" {
		return fmiWords[fmi]
	}
	return "failure mode " + strconv.Itoa(int(fmi))
}

// combineWords names the parameters of SAE J1939 for combines, which have no
// message of their own and appear only in trouble codes (SPN list of
// Open-SAE-J1939).
var combineWords = map[uint32]string{
	1486: "concave position", 1488: "threshing speed", 1489: "cleaning fan speed",
	1490: "header back-shaft speed", 1493: "returns system", 1494: "returns sensor 1",
	1495: "returns sensor 2", 1496: "returns elevator paddles", 1497: "unloading auger drive",
	1498: "header drive", 1499: "separator drive", 1501: "grain loss switches",
	1508: "hydraulic reservoir temperature", 1509: "separator hydrostatic drive temperature",
	1511: "cleaning loss sensor, right", 1512: "cleaning loss sensor, left",
	1513: "separation loss sensor, right", 1514: "separation loss sensor, left",
	1515: "header height system", 1533: "feeder house angle", 1534: "header height, left",
	1535: "header height, right", 1536: "header height, centre", 1539: "header tilt",
	1541: "reel speed", 1554: "clean grain elevator speed", 1555: "moisture cell frequency",
	2989: "separator speed", 2991: "returns volume",
}

// commonWords names parameters that often appear in trouble codes but in no
// message of the tables (SAE J1939-71; from memory).
var commonWords = map[uint32]string{
	97: "water in fuel", 102: "boost pressure", 105: "intake manifold temperature",
	107: "air filter pressure drop", 157: "fuel rail pressure", 164: "injection pressure",
	173: "exhaust gas temperature", 412: "exhaust gas recirculation temperature",
	620: "5 V sensor supply", 627: "power supply", 629: "engine controller",
	639: "network 1", 636: "engine position sensor", 637: "engine timing sensor",
	651: "injector 1", 652: "injector 2", 653: "injector 3", 654: "injector 4",
	655: "injector 5", 656: "injector 6", 1231: "network 2", 1235: "network 3",
	1569: "engine torque derate", 3031: "exhaust fluid temperature",
	3216: "nitrogen oxides sensor, intake", 3226: "nitrogen oxides sensor, outlet",
	3251: "particulate filter pressure drop", 3364: "exhaust fluid quality",
	3719: "particulate filter soot load", 4334: "exhaust fluid pressure",
	5246: "exhaust fluid inducement",
}

// SPNWords names the parameter of a trouble code in a few words, or gives its
// number where its name is not known.
func SPNWords(spn uint32) string {
	if w, ok := combineWords[spn]; ok {
		return w
	}
	if spn != 0 {
		for i := range catalog {
			if f := catalog[i].Field(spn); f != nil {
				return f.Name
			}
		}
	}
	if w, ok := commonWords[spn]; ok {
		return w
	}
	switch {
	case spn >= 2000 && spn <= 2255:
		return "node at address " + strconv.Itoa(int(spn-2000))
	case spn >= 516096 && spn <= 524287:
		return "maker's own code " + strconv.FormatUint(uint64(spn), 10)
	}
	return "SPN " + strconv.FormatUint(uint64(spn), 10)
}
