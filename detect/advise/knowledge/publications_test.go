package knowledge_test

import (
	"slices"
	"testing"

	"chaffinch/internal/config"
)

// claim is what a publication says of the order of moves: First stands before
// Then; or that a move is there (Then empty), or is not (Never).
type claim struct {
	source, says          string // the name in sources.toml
	symptom, crop, header string
	first, then           string // "lever direction"
	never                 bool
	when                  []string // conditions that first must have; without them any but "sudden"
}

var claims = []claim{
	{source: "wi-l036", says: "unthreshed: adjust the concave clearance before the cylinder speed",
		symptom: "unthreshed", crop: "wheat", header: "grain", first: "concave down", then: "rotor_speed up"},
	{source: "wi-l036", says: "the same in maize", symptom: "unthreshed", crop: "maize", header: "maize", first: "concave down", then: "rotor_speed up"},
	{source: "wi-l036", says: "the same for unthreshed heads in the returns",
		symptom: "returns", crop: "wheat", header: "grain", first: "concave down", then: "rotor_speed up"},
	{source: "wi-l036", says: "excessive cylinder speed is the leading cause of damage: speed before gap for broken grain",
		symptom: "broken-grain", crop: "wheat", header: "grain", first: "rotor_speed down", then: "concave up"},
	{source: "lash", says: "breakage rises with speed, a narrow gap and a low ground speed: three levers",
		symptom: "broken-grain", crop: "wheat", header: "grain", first: "rotor_speed down", then: "ground_speed up"},
	{source: "lash", says: "the wider gap is one of them",
		symptom: "broken-grain", crop: "wheat", header: "grain", first: "concave up", then: "ground_speed up"},
	{source: "wi-l036", says: "a lower sieve too open lets unthreshed material into the tank",
		symptom: "unthreshed", crop: "wheat", header: "grain", first: "lower_sieve down", when: []string{"tank-only"}},
	{source: "wi-l036", says: "a lower sieve too tight raises returns",
		symptom: "returns", crop: "wheat", header: "grain", first: "lower_sieve up", when: []string{"returns-clean"}},
	{source: "wi-l036", says: "an upper sieve too open overloads the lower one",
		symptom: "returns", crop: "wheat", header: "grain", first: "upper_sieve down", when: []string{"returns-chaff"}},
	{source: "wi-l036", says: "a lower sieve too open lets trash into the tank: it goes before the upper",
		symptom: "trash", crop: "wheat", header: "grain", first: "lower_sieve down", then: "upper_sieve down"},
	{source: "wi-l036", says: "do not overload: ground speed first when the engine is near its limit",
		symptom: "engine-load", crop: "wheat", header: "grain", first: "ground_speed down", then: "concave up"},
	{source: "wi-l036", says: "keep an even flow: the speed before parts of the header",
		symptom: "uneven-feed", crop: "wheat", header: "grain", first: "ground_speed down", then: "feeder_parts look"},
	{source: "geert", says: "air and load matter more for trash than openings do: the fan first where loss allows it",
		symptom: "trash", crop: "wheat", header: "grain", first: "fan_speed up", then: "lower_sieve down", when: []string{"cleaning-low"}},
	{source: "ks-surv", says: "harvest rate and cylinder speed explain dockage",
		symptom: "trash", crop: "wheat", header: "grain", first: "rotor_speed down", then: "ground_speed down"},
	{source: "msu67", says: "feed rate first", symptom: "separation-loss", crop: "wheat", header: "grain", first: "ground_speed down", then: "rotor_speed up"},
	{source: "and93", says: "feed rate is the strongest factor in rice",
		symptom: "separation-loss", crop: "rice", header: "grain", first: "ground_speed down", then: "rotor_speed up"},
	{source: "gul16", says: "ground speed moves canola loss most",
		symptom: "separation-loss", crop: "canola", header: "grain", first: "ground_speed down", then: "cut_height up"},
	{source: "kg15", says: "a higher cut takes less straw per grain: before the subtle settings",
		symptom: "separation-loss", crop: "wheat", header: "grain", first: "cut_height up", then: "concave down"},
	{source: "grdc-set", says: "less air cured a canola case", symptom: "cleaning-loss", crop: "canola", header: "grain", first: "fan_speed down"},
	{source: "msu16", says: "soybean: ground speed to 3 mph or less when shattering",
		symptom: "header-loss", crop: "soybean", header: "flex", first: "ground_speed down", then: "reel down"},
	{source: "msu16", says: "soybean: 20 to 25 degrees to the rows in green stems",
		symptom: "separation-loss", crop: "soybean", header: "flex", first: "travel_direction look", then: "rotor_speed up"},
	{source: "msu16", says: "knife, guards and hold-downs", symptom: "header-loss", crop: "soybean", header: "flex", first: "header_parts look", then: "moment wait"},
	{source: "mu93", says: "reel no more than a quarter faster than the ground speed",
		symptom: "header-loss", crop: "soybean", header: "flex", first: "reel down", then: "cut_height down"},
	{source: "lub99", says: "cutting soybean lower cut header loss from 16.5 to 4.5 %",
		symptom: "header-loss", crop: "soybean", header: "flex", first: "cut_height down"},
	{source: "osu21", says: "maize: deck plates are the major adjustment of the head",
		symptom: "header-loss", crop: "maize", header: "maize", first: "deck_plates down", then: "ground_speed down"},
	{source: "ksu-c", says: "maize: chains and rolls matched to the speed, low snouts",
		symptom: "header-loss", crop: "maize", header: "maize", first: "row_units look", then: "moment wait"},
	{source: "ag-tw", says: "do not mend with threshing what the head broke",
		symptom: "unthreshed", crop: "maize", header: "maize", first: "deck_plates look", then: "rotor_speed up"},
	{source: "ag-tw", says: "the same for separation",
		symptom: "separation-loss", crop: "maize", header: "maize", first: "deck_plates look", then: "rotor_speed up"},
	{source: "ndsu-sf", says: "sunflower: slower as seed dries",
		symptom: "header-loss", crop: "sunflower", header: "sunflower", first: "ground_speed down", then: "header_parts look"},
	{source: "leg", says: "soybean: set anew as the day dries",
		symptom: "broken-grain", crop: "soybean", header: "flex", first: "moment wait"},
	{source: "practice", says: "soybean and pea are not cut higher: pods stand low",
		symptom: "separation-loss", crop: "soybean", header: "flex", first: "cut_height up", never: true},
	{source: "practice", says: "the same for pea", symptom: "engine-load", crop: "pea", header: "flex", first: "cut_height up", never: true},
	{source: "practice", says: "a pickup cuts nothing", symptom: "separation-loss", crop: "canola", header: "pickup", first: "cut_height up", never: true},
	{source: "practice", says: "canola is not short of threshing: do not tighten",
		symptom: "unthreshed", crop: "canola", header: "grain", first: "concave down", never: true},
	{source: "practice", says: "a sudden loss: what reverses at once comes first",
		symptom: "cleaning-loss", crop: "wheat", header: "grain", first: "ground_speed down", then: "upper_sieve up", when: []string{"sudden"}},
	{source: "practice", says: "a sudden header loss likewise",
		symptom: "header-loss", crop: "wheat", header: "grain", first: "ground_speed down", then: "reel down", when: []string{"sudden"}},
	{source: "practice", says: "a slowing rotor: ease the ground speed at once",
		symptom: "rotor-sag", crop: "wheat", header: "grain", first: "ground_speed down", then: "cut_height up"},
	{source: "ksu-c", says: "drive as fast as losses allow, and no faster",
		symptom: "spare-capacity", crop: "wheat", header: "grain", first: "ground_speed up", when: []string{"loss-low"}},
}

// What extension services and research say must stand in the order that we
// give; and the move must name who says it.
func TestOrdersFollowThePublications(t *testing.T) {
	b := config.DefaultAdvice()
	for _, c := range claims {
		moves := b.Moves(c.symptom, c.crop, c.header)
		at := func(what string, when []string) int {
			for i, m := range moves {
				if m.Lever+" "+m.Direction == what && (slices.Equal(m.When, when) || when == nil && !slices.Contains(m.When, "sudden")) {
					return i
				}
			}
			return -1
		}
		first := at(c.first, c.when)
		if c.never {
			if first >= 0 {
				t.Errorf("%s in %s has %s; %s: %s", c.symptom, c.crop, c.first, c.source, c.says)
			}
			continue
		}
		if first < 0 {
			t.Errorf("%s in %s has no %s; %s: %s", c.symptom, c.crop, c.first, c.source, c.says)
			continue
		}
		then := first
		if c.then != "" {
			if then = at(c.then, nil); then <= first {
				t.Errorf("%s in %s: %s at %d is not before %s at %d; %s: %s", c.symptom, c.crop, c.first, first, c.then, then, c.source, c.says)
				continue
			}
		}
		if b.SourceNamed(c.source) == nil {
			t.Errorf("there is no source %q", c.source)
		}
		if !slices.Contains(moves[first].Sources, c.source) && !slices.Contains(moves[then].Sources, c.source) {
			t.Errorf("%s in %s: neither %s nor %s names %s", c.symptom, c.crop, c.first, c.then, c.source)
		}
	}
}
