//go:build unix

package bus

import (
	"fmt"
	"os"
	"syscall"
)

// giveToOwner gives a file that root wrote to the owner of the folder it lies in.
func giveToOwner(dir, path string) error {
	if os.Geteuid() != 0 {
		return nil
	}
	st, err := os.Stat(dir)
	if err != nil {
		return err
	}
	sys, ok := st.Sys().(*syscall.Stat_t)
	if !ok || sys.Uid == 0 {
		return nil
	}
	if err := os.Chown(path, int(sys.Uid), int(sys.Gid)); err != nil {
		return fmt.Errorf("owner of %s: %w", path, err)
	}
	return nil
}
