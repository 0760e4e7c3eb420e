package store

import (
	"errors"
	"fmt"
	"strings"
	"syscall"

	berrors "go.etcd.io/bbolt/errors"
)

// Errors that a caller decides on.
var (
	// ErrFull is returned when the disk, or the store's own bound, has no
	// room. It goes away by itself when there is room again.
	ErrFull = errors.New("no room left")
	// ErrReadOnly is returned when the file system does not take writes, as
	// after an error of the card.
	ErrReadOnly = errors.New("file system is read-only")
	// ErrDamaged is returned when the file is not what it should be. Nothing
	// more is written; OpenChecked mends it.
	ErrDamaged = errors.New("store is damaged")
	// ErrInUse is returned when another process holds the file.
	ErrInUse = errors.New("store is in use by another process")
)

// classify puts one of the errors above in front of what bbolt and the kernel say.
func classify(err error) error {
	switch {
	case err == nil, errors.Is(err, ErrDamaged), errors.Is(err, ErrFull), errors.Is(err, ErrReadOnly):
		return err
	case errors.Is(err, berrors.ErrMaxSizeReached),
		isErrno(err, syscall.ENOSPC), isErrno(err, syscall.EDQUOT), isErrno(err, syscall.EFBIG):
		return fmt.Errorf("%w: %w", ErrFull, err)
	case isErrno(err, syscall.EROFS):
		return fmt.Errorf("%w: %w", ErrReadOnly, err)
	case errors.Is(err, berrors.ErrTimeout):
		return fmt.Errorf("%w: %w", ErrInUse, err)
	case errors.Is(err, berrors.ErrInvalid), errors.Is(err, berrors.ErrChecksum),
		errors.Is(err, berrors.ErrVersionMismatch), errors.Is(err, berrors.ErrBucketNotFound),
		strings.Contains(err.Error(), "file size too small"):
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return err
}

// isErrno also knows an error by its text: bbolt flattens those of growing
// the file.
func isErrno(err error, errno syscall.Errno) bool {
	return errors.Is(err, errno) || strings.HasSuffix(err.Error(), errno.Error())
}
