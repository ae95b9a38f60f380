//go:build unix

package bus

import (
	"fmt"
	"os"
	"os/user"
	"strconv"
	"syscall"
)

// mayLook refuses a data folder of another user: its readings are not for everybody, and the
// message says better than "permission denied" what to do. The superuser may look.
func mayLook(dir string) error {
	st, err := os.Stat(dir)
	if err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	sys, ok := st.Sys().(*syscall.Stat_t)
	me := os.Geteuid()
	if !ok || me == 0 || int(sys.Uid) == me {
		return nil
	}
	name := strconv.Itoa(int(sys.Uid))
	if u, err := user.LookupId(name); err == nil {
		name = u.Username
	}
	return fmt.Errorf("the data folder %s belongs to user %s and no worker runs on it: run this command as %s, or start the worker", dir, name, name)
}
