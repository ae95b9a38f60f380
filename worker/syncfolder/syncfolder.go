// Package syncfolder makes the names of files outlast a power cut: a file that was written through to the
// disk and renamed into place has its old content again as long as the folder was not written.
package syncfolder

import (
	"errors"
	"fmt"
	"os"
	"runtime"
	"syscall"
)

// Sync writes a folder through to the disk, where the system can do that.
func Sync(dir string) error {
	if runtime.GOOS == "windows" {
		return nil // it opens no folder for that
	}
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	if err := f.Sync(); err != nil && !errors.Is(err, syscall.EINVAL) && !errors.Is(err, errors.ErrUnsupported) { // some network shares cannot
		return fmt.Errorf("folder %s: %w", dir, err)
	}
	return nil
}
