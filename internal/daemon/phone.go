package daemon

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"chaffinch/publish/phone"
	"chaffinch/store"
	"chaffinch/store/export"
	"chaffinch/store/export/report"
)

// makePhone prepares the page for the phone, if there is to be one.
func (d *Daemon) makePhone() error {
	settings := d.o.Config.Phone
	if settings.Listen == "" {
		return nil
	}
	zone := d.o.Config.Units.Zone()
	d.finder = newFinder(d.o.Source.Stamp, d.log)
	page, err := phone.New(phone.Options{
		Settings: settings, Board: d.board, Submit: d.Submit,
		Machine: d.o.Config.Machine.Name, Version: d.o.Version, Boot: d.clock.Boot,
		Keep:   beside(d.o.Config.Store),
		Date:   func() (time.Time, bool) { return d.o.Source.Wall(d.o.Source.Stamp()) },
		Finder: &phone.Finder{Says: d.finder.says, Found: d.finder.found},
		Show:   d.o.ShowCode, Log: d.log,
		Downloads: phone.Exports(d.writer.Store, d.o.Version, zone, append(export.Formats(), report.In(report.Style{Units: d.o.Config.Units.System, Zone: zone}))),
	})
	if err != nil {
		return fmt.Errorf("daemon: %w", err)
	}
	d.page = page
	return nil
}

// servePage serves the page until ctx ends. A page that cannot be served is told
// of; the rest goes on.
func (d *Daemon) servePage(ctx context.Context) error {
	if err := d.page.Run(ctx); err != nil {
		d.log.Error("the page is not served", "error", err)
	}
	return nil
}

// beside keeps things in files beside the store, for the program's own user
// alone. They are not in the store: one that is damaged, or comes late, must not
// keep the phones out.
func beside(s store.Settings) phone.Keep {
	return phone.Keep{
		Load: func(name string) ([]byte, error) {
			text, err := os.ReadFile(s.Beside(name))
			if errors.Is(err, os.ErrNotExist) {
				return nil, nil
			}
			return text, err
		},
		Save: func(name string, data []byte) error { return replaceFile(s.Beside(name), data) },
	}
}

// replaceFile writes a file so that, whenever the power goes, it holds all of
// the old or all of the new.
func replaceFile(path string, data []byte) (err error) {
	folder := filepath.Dir(path)
	file, err := os.CreateTemp(folder, "."+filepath.Base(path)+"-*") // with 0600
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			os.Remove(file.Name())
		}
	}()
	_, err = file.Write(data)
	if err = errors.Join(err, giveTo(file, folder), file.Sync(), file.Close()); err != nil {
		return err
	}
	if err = os.Rename(file.Name(), path); err != nil {
		return err
	}
	f, err := os.Open(folder)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// giveTo gives a file that root writes to the owner of its folder: the service,
// which is not root, has to read it.
func giveTo(file *os.File, folder string) error {
	if os.Geteuid() != 0 {
		return nil
	}
	info, err := os.Stat(folder)
	if err != nil {
		return err
	}
	if owner, ok := info.Sys().(*syscall.Stat_t); ok {
		return file.Chown(int(owner.Uid), int(owner.Gid))
	}
	return nil
}
