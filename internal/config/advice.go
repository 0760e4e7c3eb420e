package config

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"chaffinch/configs"
	"chaffinch/detect/advise/knowledge"
	"chaffinch/internal/problem"
)

// DefaultAdvice is what the program itself knows of setting a combine.
func DefaultAdvice() *knowledge.Base {
	b, wrong := readAdvice("", "")
	if len(wrong) > 0 {
		// The data within the program are wrong: a test holds them right.
		panic(errors.Join(wrong...))
	}
	return b
}

// LoadAdvice reads what is known of setting a combine. A file in the folder
// "advice" beside the configuration wins over that of its name within the
// program. It returns all of it or all the mistakes there are.
func LoadAdvice(configPath string) (*knowledge.Base, []error) {
	beside := filepath.Dir(configPath)
	return readAdvice(filepath.Join(beside, "advice"), filepath.Join(beside, "crops"))
}

// adviceFile is a file read, with what could be made of it.
type adviceFile struct {
	doc    *document
	binder *binder
}

func readAdvice(folder, cropFolder string) (*knowledge.Base, []error) {
	var wrong []*Mistake
	unreadable := strangeAdvice(folder)
	b := &knowledge.Base{}
	files := map[string]adviceFile{} // looked up by name only
	for _, name := range adviceOrder() {
		text, from, err := configs.Advice(folder, name)
		if err != nil {
			unreadable = append(unreadable, fmt.Errorf("config: %w", err))
			continue
		}
		doc, mistakes := parse(from, text)
		wrong = append(wrong, mistakes...)
		if doc != nil {
			files[name] = bindAdvice(b, name, doc)
		}
	}
	// Moves name levers and sources of other files: only of whole files can be
	// said what is missing in them.
	if len(files) == len(adviceOrder()) && len(wrong) == 0 && allSound(files) {
		for _, p := range append(b.Validate(), unknownCrops(b, cropFolder)...) {
			name, rest, _ := strings.Cut(p.Key, ".")
			p.Key = rest
			f := files[name]
			f.binder.wrong = append(f.binder.wrong, p)
		}
	}
	for _, name := range adviceOrder() {
		if f, ok := files[name]; ok {
			for _, p := range f.binder.wrong {
				wrong = append(wrong, f.doc.at(p))
			}
		}
	}
	inOrder(wrong)
	if all := append(unreadable, asErrors(wrong)...); len(all) > 0 {
		return nil, all
	}
	return b, nil
}

// adviceOrder is that of the symptoms, behind what they refer to.
func adviceOrder() []string {
	return append([]string{"levers", "cautions", "sources"}, knowledge.Symptoms()...)
}

func bindAdvice(base *knowledge.Base, name string, doc *document) adviceFile {
	b := newBinder(reflect.TypeFor[knowledge.Base](), doc)
	switch name {
	case "levers", "cautions", "sources":
		// Each of these files holds one list and nothing else.
		list := strings.TrimSuffix(name, "s")
		only := map[string]any{}
		for key, value := range doc.tree {
			if key == list {
				only[key] = value
			}
		}
		for _, key := range sortedKeys(doc.tree) {
			if key != list {
				b.add(key, fmt.Sprintf("there is no key %q in this file", key), fmt.Sprintf("everything here stands under [[%s]]", list))
			}
		}
		b.table("", only, reflect.ValueOf(base).Elem())
	default:
		b.root = reflect.TypeFor[knowledge.Symptom]()
		s := knowledge.Symptom{}
		if _, named := doc.tree["name"]; named {
			b.add("name", "a symptom has no name inside", "remove the line: the name of the file is the name of the symptom")
			delete(doc.tree, "name")
		}
		b.table("", doc.tree, reflect.ValueOf(&s).Elem())
		s.Name = name
		base.Symptom = append(base.Symptom, s)
	}
	return adviceFile{doc: doc, binder: b}
}

func allSound(files map[string]adviceFile) bool {
	for _, f := range files {
		if len(f.binder.wrong) > 0 {
			return false
		}
	}
	return true
}

// strangeAdvice tells of files in the folder that nothing would read.
func strangeAdvice(folder string) []error {
	if folder == "" {
		return nil
	}
	entries, err := os.ReadDir(folder)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return []error{fmt.Errorf("config: %w", err)}
	}
	var all []error
	known := adviceOrder()
	for _, e := range entries {
		name, isTOML := strings.CutSuffix(e.Name(), ".toml")
		if isTOML && !slices.Contains(known, name) {
			all = append(all, &Mistake{File: filepath.Join(folder, e.Name()), Problem: problem.Problem{
				What: fmt.Sprintf("nothing reads advice of the name %q", clean(name)),
				Try:  "there are " + strings.Join(known, ", ") + problem.DidYouMean(name, known)}})
		}
	}
	return all
}

// unknownCrops finds names of crops that have no profile.
func unknownCrops(b *knowledge.Base, cropFolder string) []*problem.Problem {
	known := configs.Crops(cropFolder)
	var all []*problem.Problem
	check := func(key, crop string) {
		if !slices.Contains(known, crop) {
			all = append(all, &problem.Problem{Key: key, What: fmt.Sprintf("there is no crop %q", crop),
				Try: "there are " + strings.Join(known, ", ") + problem.DidYouMean(crop, known)})
		}
	}
	for _, s := range b.Symptom {
		for i, m := range s.Move {
			for j, crop := range m.Crops {
				check(fmt.Sprintf("%s.move.%d.crops.%d", s.Name, i, j), crop)
			}
			for j, crop := range m.NotCrops {
				check(fmt.Sprintf("%s.move.%d.not_crops.%d", s.Name, i, j), crop)
			}
		}
	}
	for i, l := range b.Lever {
		factors := make(map[string]any, len(l.CropSteps))
		for crop, f := range l.CropSteps {
			factors[crop] = f
		}
		for _, crop := range sortedKeys(factors) {
			check(fmt.Sprintf("levers.lever.%d.crop_steps.%s", i, crop), crop)
		}
	}
	return all
}
