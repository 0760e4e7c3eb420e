package config

import (
	"errors"

	"chaffinch/detect/machine"
)

// Profile is the profile of a crop: the one in the folder, if it has one of that
// name, else the one within the program. An empty folder is none.
func Profile(name, folder string) (machine.Crop, error) {
	c, mistakes, missing := crop(name, folder)
	if missing != nil {
		missing.Key = ""
		return c, missing
	}
	var all []error
	for _, m := range mistakes {
		all = append(all, m)
	}
	return c, errors.Join(all...)
}
