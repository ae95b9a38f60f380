package syncfolder_test

import (
	"errors"
	"io/fs"
	"path/filepath"
	"testing"

	"swathkeeper/worker/syncfolder"
)

// That the disk has it cannot be seen without cutting the power; that the folder is asked can.
func TestSync(t *testing.T) {
	dir := t.TempDir()
	if err := syncfolder.Sync(dir); err != nil {
		t.Error(err)
	}
	if err := syncfolder.Sync("/proc/self"); err != nil { // cannot be written through
		t.Error(err)
	}
	if err := syncfolder.Sync(filepath.Join(dir, "nowhere")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a folder that is not there: %v", err)
	}
}
