package onkernel

import (
	"crypto/sha256"
	_ "embed"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// image is what a guest starts from.
type image struct{ kernel, initramfs string }

// modules of the kernel that the guest loads, in this order, with what they
// depend on.
var modules = []string{
	"virtio_pci", "virtio_rng", "virtio_blk", "9pnet_virtio", "9p", "ext4", "dm-flakey",
	"can", "can-raw", "can-dev", "vcan", "vxcan", "sja1000", "kvaser_pci",
}

// files of the programs, with the libraries that they ask for.
var files = []string{
	"/bin/busybox", "/bin/dash", "/bin/ip", "/usr/bin/candump", "/usr/bin/canplayer", "/usr/bin/cansend", "/usr/bin/cangen",
	"/usr/bin/mosquitto_sub",
}

//go:embed testdata/init.sh
var initScript []byte

//go:embed testdata/orders.sh
var ordersScript []byte

// makeImage gives the image of an architecture, from the cache if it is there.
func makeImage(arch string) (image, error) {
	cache, err := cacheFolder()
	if err != nil {
		return image{}, err
	}
	sum := sha256.Sum256(fmt.Append(nil, programs, modules, files, string(initScript), string(ordersScript)))
	dir := filepath.Join(cache, fmt.Sprintf("%s-%x", arch, sum[:6]))
	done := image{kernel: filepath.Join(dir, "kernel"), initramfs: filepath.Join(dir, "initramfs")}
	if _, err := os.Stat(dir); err == nil {
		return done, nil
	}
	if err := os.MkdirAll(cache, 0o755); err != nil {
		return image{}, err
	}
	work, err := os.MkdirTemp(cache, "making-")
	if err != nil {
		return image{}, err
	}
	defer os.RemoveAll(work)
	root, tree, out := filepath.Join(work, "root"), filepath.Join(work, "tree"), filepath.Join(work, "out")
	for _, d := range []string{root, tree, out} {
		if err := os.Mkdir(d, 0o755); err != nil {
			return image{}, err
		}
	}
	if err := unpack(arch, work, root); err != nil {
		return image{}, err
	}
	if err := grow(root, tree); err != nil {
		return image{}, err
	}
	kernels, err := filepath.Glob(filepath.Join(root, "boot/vmlinuz-*"))
	if err != nil || len(kernels) != 1 {
		return image{}, fmt.Errorf("kernels in the packages: %v %v", kernels, err)
	}
	if err := copyFile(kernels[0], filepath.Join(out, "kernel"), 0o644); err != nil {
		return image{}, err
	}
	if err := archive(tree, filepath.Join(out, "initramfs")); err != nil {
		return image{}, err
	}
	// Another test run may have been quicker; its image is as good.
	if err := os.Rename(out, dir); err != nil && !os.IsExist(err) {
		return image{}, err
	}
	return done, nil
}

func cacheFolder() (string, error) {
	if dir := os.Getenv("CHAFFINCH_KERNELS"); dir != "" {
		return dir, nil
	}
	dir, err := os.UserCacheDir()
	return filepath.Join(dir, "chaffinch-onkernel"), err
}

// grow puts into tree what the guest needs of root.
func grow(root, tree string) error {
	for _, dir := range []string{"bin", "dev", "proc", "sys", "run", "tmp", "etc", "shared", "disk", "modules"} {
		if err := os.Mkdir(filepath.Join(tree, dir), 0o755); err != nil {
			return err
		}
	}
	wanted, err := withLibraries(root, files)
	if err != nil {
		return err
	}
	for _, f := range wanted {
		to := filepath.Join(tree, f)
		if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
			return err
		}
		if err := copyFile(filepath.Join(root, f), to, 0o755); err != nil {
			return err
		}
	}
	order, err := loadOrder(root, modules)
	if err != nil {
		return err
	}
	var list strings.Builder
	for _, m := range order {
		name := filepath.Join("/modules", filepath.Base(m))
		fmt.Fprintln(&list, name)
		if err := copyFile(m, filepath.Join(tree, name), 0o644); err != nil {
			return err
		}
	}
	if err := os.WriteFile(filepath.Join(tree, "modules/order"), []byte(list.String()), 0o644); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(tree, "orders.sh"), ordersScript, 0o755); err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(tree, "init"), initScript, 0o755)
}

// archive writes a tree in the form that the kernel unpacks at its start.
func archive(tree, to string) error {
	out, err := os.Create(to)
	if err != nil {
		return err
	}
	defer out.Close()
	cmd := exec.Command("sh", "-c", "find . | cpio --quiet -o -H newc -R 0:0")
	cmd.Dir, cmd.Stdout, cmd.Stderr = tree, out, os.Stderr
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("cpio: %w", err)
	}
	return out.Close()
}

func copyFile(from, to string, mode os.FileMode) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, mode)
	if err != nil {
		return err
	}
	defer out.Close()
	if _, err := io.Copy(out, in); err != nil {
		return err
	}
	return out.Close()
}
