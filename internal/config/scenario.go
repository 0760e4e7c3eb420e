package config

import (
	"fmt"
	"reflect"

	"chaffinch/canbus/virtual"
)

// LoadScenario reads the script of a make-believe harvest, as strictly as a
// configuration.
func LoadScenario(path string) (virtual.Scenario, []error) {
	var s virtual.Scenario
	text, err := readFile(path)
	if err != nil {
		return s, []error{fmt.Errorf("config: %w", err)}
	}
	doc, wrong := parse(path, text)
	if doc != nil {
		b := newBinder(reflect.TypeFor[virtual.Scenario](), doc)
		b.table("", doc.tree, reflect.ValueOf(&s).Elem())
		for _, p := range s.Validate() {
			if b.sound(p.Key) {
				b.wrong = append(b.wrong, p)
			}
		}
		for _, p := range b.wrong {
			wrong = append(wrong, doc.at(p))
		}
	}
	if len(wrong) > 0 {
		inOrder(wrong)
		return s, asErrors(wrong)
	}
	return s, nil
}
