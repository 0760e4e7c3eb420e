package uplinktest

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// page is where the configurations stand that are tested here.
const page = "../../publish/mqtt/OFFICE.md"

// block is a fenced block of the page by what stands behind its fence.
func block(t *testing.T, label string) string {
	t.Helper()
	text, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	_, rest, found := strings.Cut(string(text), "```"+label+"\n")
	body, _, ends := strings.Cut(rest, "```\n")
	if !found || !ends {
		t.Fatalf("%s has no block %q", page, label)
	}
	return body
}

// replaced replaces each of the old texts, and fails if one is not there: what
// is tested must be what the page says.
func replaced(t *testing.T, text string, oldNew ...string) string {
	t.Helper()
	for i := 0; i < len(oldNew); i += 2 {
		if !strings.Contains(text, oldNew[i]) {
			t.Fatalf("%s does not say %q any more:\n%s", page, oldNew[i], text)
		}
		text = strings.ReplaceAll(text, oldNew[i], oldNew[i+1])
	}
	return text
}

func write(t *testing.T, folder, name, text string) string {
	t.Helper()
	path := filepath.Join(folder, name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// folder is a temporary folder, in memory where there is one: the disk of the
// computer that tests is not what is tested.
func folder(t *testing.T) string {
	t.Helper()
	if info, err := os.Stat("/dev/shm"); err != nil || !info.IsDir() {
		return t.TempDir()
	}
	dir, err := os.MkdirTemp("/dev/shm", "chaffinch-uplink-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}
