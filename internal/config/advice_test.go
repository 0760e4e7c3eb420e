package config

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"chaffinch/configs"
	"chaffinch/detect/advise/knowledge"
)

func TestAdviceWithin(t *testing.T) {
	b := DefaultAdvice()
	if len(b.Symptom) != len(knowledge.Symptoms()) {
		t.Fatalf("%d symptoms", len(b.Symptom))
	}
	for i, name := range knowledge.Symptoms() {
		if b.Symptom[i].Name != name {
			t.Errorf("symptom %d is %q, want %q", i, b.Symptom[i].Name, name)
		}
	}
	want := slices.Sorted(slices.Values(adviceOrder()))
	if got := configs.AdviceFiles(); !slices.Equal(got, want) {
		t.Errorf("files %v, want %v", got, want)
	}
}

// beside makes a folder with a configuration and files of advice, each changed
// from the one within by replacing a text with another.
func beside(t *testing.T, changes ...[3]string) string {
	t.Helper()
	folder := t.TempDir()
	if err := os.Mkdir(filepath.Join(folder, "advice"), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, c := range changes {
		text, _, err := configs.Advice("", c[0])
		if err != nil || strings.Count(string(text), c[1]) == 0 {
			t.Fatalf("%s has no %q: %v", c[0], c[1], err)
		}
		write(t, filepath.Join(folder, "advice", c[0]+".toml"), strings.Replace(string(text), c[1], c[2], 1))
	}
	return filepath.Join(folder, "chaffinch.toml")
}

func TestAdviceOnTheDiskWins(t *testing.T) {
	b, wrong := LoadAdvice(beside(t, [3]string{"levers", "step_pct = 7", "step_pct = 5"}))
	if len(wrong) > 0 || b.LeverNamed("ground_speed").StepPct != 5 {
		t.Errorf("%v", wrong)
	}
	if DefaultAdvice().LeverNamed("ground_speed").StepPct != 7 {
		t.Error("the file within changed")
	}
	if _, wrong := LoadAdvice(filepath.Join(t.TempDir(), "none", "chaffinch.toml")); len(wrong) > 0 {
		t.Errorf("without a folder: %v", wrong)
	}
}

// Mistakes that people make in advice of their own, each with its place, the
// line and a remedy. Mistakes of form hide those of sense in all files, because
// moves refer to each other.
func TestMistakesInAdvice(t *testing.T) {
	for _, c := range []struct {
		name    string
		changes [][3]string
		want    []string // in each message, in order, parts separated by |
	}{
		{"a key that is not one", [][3]string{{"trash", "risk_words =", "risk_word ="}},
			[]string{"trash.toml:|`risk_word = \"may blow grain out\"`|no key \"risk_word\" in [[move]]|did you mean \"risk_words\""}},
		{"no such lever", [][3]string{{"trash", `lever = "fan_speed"`, `lever = "fan"`}}, []string{"trash.toml:|`lever = \"fan\"`|no lever \"fan\"|there are"}},
		{"no such crop", [][3]string{{"unthreshed", `"canola", "maize"`, `"rape", "maize"`}}, []string{"unthreshed.toml:|no crop \"rape\"|there are barley"}},
		{"no such crop of a lever", [][3]string{{"levers", "maize = 2", "maiz = 2"}}, []string{"levers.toml:|no crop \"maiz\"|did you mean \"maize\""}},
		{"a number in quotes", [][3]string{{"levers", "settle_s = 30", `settle_s = "30"`}}, []string{"levers.toml:|settle_s is a number|without quotes"}},
		{"an impossible number", [][3]string{{"levers", "settle_s = 30", "settle_s = -30"}}, []string{"levers.toml:|settle_s is -30|give 5 to 600"}},
		{"a name inside", [][3]string{{"trash", "words =", "name = \"trash\"\nwords ="}}, []string{"trash.toml:|has no name inside|remove the line"}},
		{"another list in the file", [][3]string{{"sources", "\n[[source]]\n", "\n[[move]]\nlever = \"reel\"\n[[source]]\n"}}, []string{"sources.toml:|no key \"move\"|stands under [[source]]"}},
		{"a caution that lets the engine run", [][3]string{{"cautions", "Engine off, key out. Wait until all has stopped", "Be quick"}},
			[]string{"levers.toml:|does not say|switch off"}},
		{"no TOML", [][3]string{{"trash", "direction = \"up\"", "direction = up"}}, []string{"trash.toml:|`direction = up`|text stands in quotes"}},
		{"two files at once", [][3]string{{"trash", "risk_words =", "risks_words ="}, {"levers", "settle_s = 30", "settle = 30"}},
			[]string{"levers.toml:|no key \"settle\"", "trash.toml:|no key \"risks_words\""}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, wrong := LoadAdvice(beside(t, c.changes...))
			if b != nil || len(wrong) == 0 {
				t.Fatal("it was taken for good")
			}
			for i, want := range c.want {
				if i >= len(wrong) {
					t.Fatalf("only %v", wrong)
				}
				var m *Mistake
				if !errors.As(wrong[i], &m) || m.Line == 0 || m.Try == "" {
					t.Errorf("no place or no remedy: %v", wrong[i])
				}
				for _, part := range strings.Split(want, "|") {
					if !strings.Contains(wrong[i].Error(), part) {
						t.Errorf("%q is not in: %v", part, wrong[i])
					}
				}
			}
		})
	}
}

func TestAdviceThatNothingReads(t *testing.T) {
	file := beside(t)
	write(t, filepath.Join(filepath.Dir(file), "advice", "seperation-loss.toml"), "")
	write(t, filepath.Join(filepath.Dir(file), "advice", "notes.txt"), "")
	_, wrong := LoadAdvice(file)
	if len(wrong) != 1 || !strings.Contains(wrong[0].Error(), `did you mean "separation-loss"`) {
		t.Errorf("%v", wrong)
	}
}

// Nothing that stands in a file of advice makes the reading stumble.
func FuzzAdvice(f *testing.F) {
	for _, name := range configs.AdviceFiles() {
		text, _, err := configs.Advice("", name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(name, text)
	}
	f.Add("trash", []byte("words = 3\n[[move]]\nlever = \"fan_speed\"\ndirection = \"up\"\n"))
	f.Add("levers", []byte("[lever]\nname = 3\n"))
	f.Fuzz(func(t *testing.T, name string, text []byte) {
		if !slices.Contains(adviceOrder(), name) {
			return
		}
		folder := t.TempDir()
		write(t, filepath.Join(folder, name+".toml"), string(text))
		b, wrong := readAdvice(folder, "")
		if (b == nil) == (len(wrong) == 0) {
			t.Errorf("%v and %v", b, wrong)
		}
	})
}
