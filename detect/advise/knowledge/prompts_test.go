package knowledge_test

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"chaffinch/configs"
	"chaffinch/detect/advise/knowledge"
	"chaffinch/internal/config"
)

var update = flag.Bool("update", false, "write configs/advice/PROMPTS.md anew: read the difference before it is kept")

const page = "../../../configs/advice/PROMPTS.md"

// present are the settings that the page takes for its steps.
var present = map[string]float64{"ground_speed": 6, "rotor_speed": 800, "fan_speed": 900}

// The page shows every prompt that can be given, for people to read: nothing
// foolish or dangerous may stand in it.
func TestPageOfPromptsIsCurrent(t *testing.T) {
	got := render(config.DefaultAdvice())
	if *update {
		if err := os.WriteFile(page, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s is not current: run go test ./detect/advise/knowledge -update and read what changed", page)
	}
}

// headersOf are the headers that a crop is cut with.
func headersOf(crop string) []string {
	switch crop {
	case "maize":
		return []string{"maize"}
	case "sunflower":
		return []string{"sunflower", "grain"}
	case "soybean", "pea", "sorghum":
		return []string{"grain", "flex"}
	case "canola":
		return []string{"grain", "flex", "pickup"}
	}
	return []string{"grain", "flex", "pickup", "stripper"}
}

func render(b *knowledge.Base) string {
	var p strings.Builder
	p.WriteString(`# Prompts

Every prompt that the adviser can give, as an operator reads it. This page is
made from the files beside it by ` + "`go test ./detect/advise/knowledge -update`" + `:
change those, not this.

One prompt is open at a time. Of each list the first move is proposed whose
conditions hold and that has not been tried; a condition that nobody knows of
does not hold. Steps are those of a machine at 6 km/h with the rotor at 800 rpm
and the fan at 900 rpm. "Watch" lists what is judged along with the symptom.
`)
	crops := configs.Crops("")
	for _, name := range knowledge.Symptoms() {
		s := b.SymptomNamed(name)
		fmt.Fprintf(&p, "\n## %s\n\n`%s.toml`. The order in which to try:\n\n", capital(s.Words), s.Name)
		orders(&p, s, crops)
		for i := range s.Move {
			move(&p, b, &s.Move[i], i+1, crops)
		}
	}
	p.WriteString("\n## Cautions\n\n")
	for _, c := range b.Caution {
		fmt.Fprintf(&p, "- %s: %s\n", c.Name, c.Words)
	}
	p.WriteString("\n## Sources\n\n")
	for _, s := range b.Source {
		fmt.Fprintf(&p, "- %s: %s\n", s.Name, s.Words)
	}
	return p.String()
}

// orders lists the numbers of the moves of each crop, crops with one list together.
func orders(p *strings.Builder, s *knowledge.Symptom, crops []string) {
	var lists []string
	of := map[string][]string{}
	for _, crop := range crops {
		for _, header := range headersOf(crop) {
			var numbers []string
			for i := range s.Move {
				if s.Move[i].IsFor(crop, header) {
					numbers = append(numbers, fmt.Sprint(i+1))
				}
			}
			list := strings.Join(numbers, ", ")
			if of[list] == nil {
				lists = append(lists, list)
			}
			of[list] = append(of[list], crop+"/"+header)
		}
	}
	for _, list := range lists {
		fmt.Fprintf(p, "- %s: %s\n", together(of[list], crops), list)
	}
}

// together words pairs of crop and header: "barley, wheat (pickup, stripper)".
func together(pairs, crops []string) string {
	var heads []string
	of := map[string][]string{}
	for _, crop := range crops {
		var headers []string
		for _, pair := range pairs {
			if c, header, _ := strings.Cut(pair, "/"); c == crop {
				headers = append(headers, header)
			}
		}
		if len(headers) == 0 {
			continue
		}
		words := ""
		if len(headers) < len(headersOf(crop)) {
			words = " with " + strings.Join(headers, " or ") + " header"
		}
		if of[words] == nil {
			heads = append(heads, words)
		}
		of[words] = append(of[words], crop)
	}
	var parts []string
	for _, words := range heads {
		names := strings.Join(of[words], ", ")
		if len(of[words]) == len(crops) {
			names = "all crops"
		}
		parts = append(parts, names+words)
	}
	return strings.Join(parts, "; ")
}

func move(p *strings.Builder, b *knowledge.Base, m *knowledge.Move, number int, crops []string) {
	l := b.LeverNamed(m.Lever)
	// Crops whose step is another read another head.
	var heads []string
	of := map[string][]string{}
	var for_ []string
	for _, crop := range crops {
		if !slices.ContainsFunc(headersOf(crop), func(h string) bool { return m.IsFor(crop, h) }) {
			continue
		}
		for_ = append(for_, crop)
		head := b.Prompt(m, l.By(amount(b, m, crop)), false).Head
		if of[head] == nil {
			heads = append(heads, head)
		}
		of[head] = append(of[head], crop)
	}
	slices.SortStableFunc(heads, func(x, y string) int { return len(of[y]) - len(of[x]) })
	if len(heads) == 0 {
		return
	}
	words := b.Prompt(m, "", l.From != knowledge.FromSeat)
	fmt.Fprintf(p, "\n%d. **%s.** %s", number, heads[0], words.Reason)
	if words.Risk != "" {
		p.WriteString(" " + words.Risk)
	}
	p.WriteString("\n")
	for _, head := range heads[1:] {
		fmt.Fprintf(p, "   - In %s: %s.\n", strings.Join(of[head], ", "), head)
	}
	line := func(name, value string) {
		if value != "" {
			fmt.Fprintf(p, "   - %s: %s\n", name, value)
		}
	}
	if len(for_) < len(crops) || len(m.Headers) > 0 {
		names := strings.Join(for_, ", ")
		if len(for_) == len(crops) {
			names = "all crops"
		}
		if len(m.Headers) > 0 {
			names += "; header " + strings.Join(m.Headers, ", ")
		}
		line("For", names)
	}
	line("If", conditions(m.When, " and "))
	line("Unless", conditions(m.Unless, " or "))
	if m.Either {
		line("Either way", "nothing tells which, so this is tried and judged, and then the opposite")
	}
	line("From", map[string]string{knowledge.FromSeat: "the seat", knowledge.FromMachine: "the seat where the machine can, else with it stopped",
		knowledge.FromStopped: "the ground, with the machine stopped"}[l.From])
	for _, c := range words.Cautions {
		name := "Caution"
		if l.From == knowledge.FromMachine {
			name = "Caution where it is done by hand"
		}
		line(name, c)
	}
	var risks []string
	for _, r := range m.Risks {
		risks = append(risks, b.SymptomNamed(r).Words)
	}
	line("Watch", strings.Join(risks, ", "))
	var sources []string
	for _, s := range m.Sources {
		if s == "practice" {
			s = "common practice, no source"
		}
		sources = append(sources, s)
	}
	line("Sources", strings.Join(sources, "; "))
}

func amount(b *knowledge.Base, m *knowledge.Move, crop string) float64 {
	l := b.LeverNamed(m.Lever)
	steps := m.Steps
	if steps == 0 {
		steps = 1
	}
	if f := l.CropSteps[crop]; f > 0 {
		steps *= f
	}
	return l.Amount(steps, present[l.Name])
}

func conditions(names []string, and string) string {
	var all []string
	for _, name := range names {
		all = append(all, knowledge.ConditionWords(name))
	}
	return strings.Join(all, and)
}

func capital(words string) string { return strings.ToUpper(words[:1]) + words[1:] }
