package coaching

import (
	"fmt"
	"math"
	"strings"

	"chaffinch/canbus/virtual"
	"chaffinch/detect/advise/knowledge"
)

// Seeds that the adviser may be tuned on, and those that only reports may use.
const (
	TuneFrom, TuneTo = 1, 60
	HeldFrom, HeldTo = 8001, 8060
)

// Kind is what is wrong with the machine of a case.
type Kind uint8

const (
	// BadlySet: one lever or two are some steps off.
	BadlySet Kind = iota
	// WellSet: all levers are where they usually are.
	WellSet
	// Unmoved: badly set as well, but the operator only says that he has done it,
	// and the bus does not carry the settings that could tell.
	Unmoved
	// HeavyHanded: badly set as well, and the operator moves a lever HeavyTimes as
	// far as he is asked to, so that there is something to see.
	HeavyHanded
	// HandSet: badly set as well, and concave and sieves are set by hand with the
	// machine stopped; the bus does not carry them.
	HandSet
)

// HeavyTimes is how much further than asked a heavy-handed operator goes.
const HeavyTimes = 2.5

// Crops are those of the cases.
var Crops = [...]string{"wheat", "barley", "maize", "soybean", "canola"}

// Case is a machine, its field and its operator.
type Case struct {
	Seed     uint64
	Kind     Kind
	Scenario virtual.Scenario
}

// mostHours is the length of the longest session.
const mostHours = 5

// Cases is a fixed list: crop, machine, field and what is wrong follow from the
// seed. In every sixth the owner has limited a lever that is wrong half way to
// where it should be.
func Cases(from, to uint64, kind Kind) []Case {
	var list []Case
	for seed := from; seed <= to; seed++ {
		r := newDice(seed, 1)
		s := virtual.Scenario{
			Crop: Crops[seed%uint64(len(Crops))], Machine: [...]string{"medium", "large", "wide"}[seed/5%3],
			Start: "2024-07-30T10:30:00Z", Hours: mostHours, InCrop: true,
			PassM: 500 + 50*math.Floor(r.between(0, 9)), Uneven: r.between(0.07, 0.13), LoadPct: r.between(74, 80),
		}
		if kind != WellSet {
			s.Settings = virtual.Missettings(seed, s)
			if seed%6 == 0 {
				s.Limits = limitsFor(seed, s)
			}
		}
		list = append(list, Case{seed, kind, s})
	}
	return list
}

// limited are the levers that an owner may limit, and the signals by which he
// does.
var limited = [...][2]string{
	{"rotor_speed", "rotor_speed_rpm"}, {"concave", "concave_mm"}, {"fan_speed", "fan_speed_rpm"},
	{"upper_sieve", "upper_sieve_mm"}, {"lower_sieve", "lower_sieve_mm"},
}

func limitsFor(seed uint64, s virtual.Scenario) map[string]virtual.Limit {
	wrong := s.Settings
	s.Settings = nil
	usual := virtual.New(s, seed)
	for _, l := range limited {
		at, ok := wrong[l[0]]
		if !ok {
			continue
		}
		half := math.Round((at + usual.Setting(l[0])) / 2)
		if at > half {
			return map[string]virtual.Limit{l[1]: {Min: &half}}
		}
		return map[string]virtual.Limit{l[1]: {Max: &half}}
	}
	return nil
}

// told are the signals of which the owner knows the target, with their symptoms
// and alarms.
var told = [...]struct{ signal, symptom, alarm string }{
	{"separation_loss_pct", knowledge.SeparationLoss, "separation-loss-high"},
	{"cleaning_loss_pct", knowledge.CleaningLoss, "cleaning-loss-high"},
	{"returns_pct", knowledge.Returns, "returns-high"},
	{"broken_grain_pct", knowledge.BrokenGrain, "broken-grain-high"},
	{"trash_pct", knowledge.Trash, "trash-high"},
}

// targets are those that the owner sets: by symptom, and as text for the
// configuration.
func targets(c *virtual.Combine) (bySymptom map[string]float64, text string) {
	bySymptom = map[string]float64{}
	aim := c.Condition().Target
	var b strings.Builder
	for _, t := range told {
		level := math.Round(aim.Shown(t.signal))
		bySymptom[t.symptom] = level
		fmt.Fprintf(&b, "[alarm.%s]\ntarget_pct = %g\n", t.alarm, level)
	}
	bySymptom[knowledge.HeaderLoss] = aim.HeaderPct
	return bySymptom, b.String()
}

// withoutMap leaves the map of a signal out of a configuration.
func withoutMap(text, signal string) string {
	parts := strings.Split(text, "[[map]]\n")
	kept := parts[:1]
	for _, p := range parts[1:] {
		if !strings.Contains(p, fmt.Sprintf("signal = %q", signal)) {
			kept = append(kept, p)
		}
	}
	return strings.Join(kept, "[[map]]\n")
}
