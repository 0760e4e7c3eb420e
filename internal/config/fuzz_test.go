package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"chaffinch/configs"
)

// Whatever a file holds, it is either a configuration that passes its own checks
// or mistakes that name a line of it and a remedy; never both, never a panic.
func FuzzLoad(f *testing.F) {
	for _, pattern := range []string{"*.toml", "crops/*.toml"} {
		files, err := filepath.Glob(filepath.Join(examples, pattern))
		if err != nil || len(files) == 0 {
			f.Fatal("no examples", err)
		}
		for _, file := range files {
			text, err := os.ReadFile(file)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(text)
		}
	}
	f.Add(configs.Default())
	// Texts made to take long.
	f.Add([]byte("a = " + strings.Repeat("[", 20_000)))
	f.Add([]byte("a = " + strings.Repeat("[1,", 9_000) + strings.Repeat("]", 9_000)))
	f.Add([]byte("a = [\n" + strings.Repeat("1,\n", 20_000)))
	f.Add([]byte(strings.Repeat("a.", 30_000) + "b = 1"))
	f.Add([]byte(strings.Repeat("[[map]]\n", 8_000)))
	f.Fuzz(func(t *testing.T, text []byte) {
		c, wrong := read("x.toml", text, "")
		if (c == nil) != (len(wrong) > 0) {
			t.Fatalf("both or neither: %v %v", c, wrong)
		}
		lines := strings.Count(string(text), "\n") + 1
		for _, m := range wrong {
			if m.What == "" || m.Try == "" || m.Line < 0 || m.Line > lines || strings.ContainsAny(m.Error(), "\n\r") {
				t.Errorf("%q", m.Error())
			}
		}
		if c == nil {
			return
		}
		if again := c.validate(true); len(again) > 0 {
			t.Errorf("taken for good: %v", again)
		}
		c.Notes()
	})
}
