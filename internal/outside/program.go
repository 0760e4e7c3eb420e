package outside

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
)

// Program builds the program into a folder, without cgo as it is shipped: what is
// tested from outside.
func Program(folder string) (path string, err error) {
	path = filepath.Join(folder, "chaffinch")
	build := exec.Command("go", "build", "-o", path, "chaffinch/cmd/chaffinch")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if said, err := build.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build the program: %w\n%s", err, said)
	}
	return path, nil
}
