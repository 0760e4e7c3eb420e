package onkernel

import (
	"bytes"
	"debug/elf"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// withLibraries gives programs of a file tree and, behind them, the loader and the
// libraries that they need (System V ABI, section "Dynamic Linking").
func withLibraries(root string, programs []string) ([]string, error) {
	found := map[string]string{} // a library's path by its name
	for _, dir := range []string{"lib", "usr/lib"} {
		err := filepath.WalkDir(filepath.Join(root, dir), func(path string, d fs.DirEntry, err error) error {
			if err == nil && strings.Contains(d.Name(), ".so") && !d.IsDir() {
				found[d.Name()] = strings.TrimPrefix(path, root)
			}
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	all := slices.Clone(programs)
	for i := 0; i < len(all); i++ {
		f, err := elf.Open(filepath.Join(root, all[i]))
		if err != nil {
			return nil, fmt.Errorf("%s: %w", all[i], err)
		}
		names, err := f.ImportedLibraries()
		if loader := f.Section(".interp"); loader != nil {
			if path, err := loader.Data(); err == nil {
				all = addNew(all, string(bytes.TrimRight(path, "\x00")))
			}
		}
		f.Close()
		if err != nil {
			return nil, fmt.Errorf("%s: %w", all[i], err)
		}
		for _, name := range names {
			if strings.HasPrefix(name, "ld-linux") {
				continue // the loader, by its path
			}
			path, ok := found[name]
			if !ok {
				return nil, fmt.Errorf("%s needs %s, which no package has", all[i], name)
			}
			all = addNew(all, path)
		}
	}
	return all, nil
}

func addNew(list []string, s string) []string {
	if slices.Contains(list, s) {
		return list
	}
	return append(list, s)
}

// loadOrder gives the files of kernel modules, each behind those that it
// depends on. What is built into the kernel is in none.
func loadOrder(root string, names []string) ([]string, error) {
	files := map[string]string{} // by the module's name
	err := filepath.WalkDir(filepath.Join(root, "lib/modules"), func(path string, d fs.DirEntry, err error) error {
		if name, ok := strings.CutSuffix(filepath.Base(path), ".ko"); ok {
			files[moduleName(name)] = path
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	builtin, err := builtIn(root)
	if err != nil {
		return nil, err
	}
	var order []string
	var add func(name string) error
	add = func(name string) error {
		path, ok := files[moduleName(name)]
		switch {
		case !ok && builtin[moduleName(name)]:
			return nil
		case !ok:
			return fmt.Errorf("the kernel's package has no module %s", name)
		case slices.Contains(order, path):
			return nil
		}
		needs, err := dependencies(path)
		if err != nil {
			return err
		}
		for _, n := range needs {
			if err := add(n); err != nil {
				return err
			}
		}
		order = append(order, path)
		return nil
	}
	// Modules ask for these by name only when they run.
	for _, name := range append([]string{"crc32c_generic"}, names...) {
		if err := add(name); err != nil {
			return nil, err
		}
	}
	return order, nil
}

// moduleName is a module's name; its file may be written with hyphens.
func moduleName(file string) string { return strings.ReplaceAll(file, "-", "_") }

func builtIn(root string) (map[string]bool, error) {
	lists, err := filepath.Glob(filepath.Join(root, "lib/modules/*/modules.builtin"))
	if err != nil || len(lists) != 1 {
		return nil, fmt.Errorf("lists of what is built into the kernel: %v %v", lists, err)
	}
	text, err := os.ReadFile(lists[0])
	if err != nil {
		return nil, err
	}
	all := map[string]bool{}
	for line := range strings.Lines(string(text)) {
		all[moduleName(strings.TrimSuffix(filepath.Base(strings.TrimSpace(line)), ".ko"))] = true
	}
	return all, nil
}

// dependencies reads which modules a module needs, as modinfo(8) does.
func dependencies(path string) ([]string, error) {
	f, err := elf.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	defer f.Close()
	s := f.Section(".modinfo")
	if s == nil {
		return nil, fmt.Errorf("%s is no kernel module", path)
	}
	info, err := s.Data()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	for field := range bytes.SplitSeq(info, []byte{0}) {
		if list, ok := bytes.CutPrefix(field, []byte("depends=")); ok && len(list) > 0 {
			return strings.Split(string(list), ","), nil
		}
	}
	return nil, nil
}
