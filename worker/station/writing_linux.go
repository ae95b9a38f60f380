package station

import (
	"os"

	"golang.org/x/sys/unix"
)

// stillWritten says whether some process of this machine has the file open for writing: only then
// is a read lease refused for this reason. Where leases cannot be had (another owner's file, most
// network shares) it says no, and the quiet time alone decides.
func stillWritten(f *os.File) bool {
	// The kernel breaks a lease by SIGIO, which the Go runtime ignores; it is held for an instant.
	_, err := unix.FcntlInt(f.Fd(), unix.F_SETLEASE, unix.F_RDLCK)
	if err == nil {
		_, _ = unix.FcntlInt(f.Fd(), unix.F_SETLEASE, unix.F_UNLCK)
		return false
	}
	return err == unix.EAGAIN
}
