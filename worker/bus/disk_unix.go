//go:build unix

package bus

import "syscall"

// DiskFree tells the bytes that are free for this user where dir lies, and how large that file
// system is; zeros where the system does not tell.
func DiskFree(dir string) (free, size uint64) {
	var s syscall.Statfs_t
	if syscall.Statfs(dir, &s) != nil {
		return 0, 0
	}
	return uint64(s.Bavail) * uint64(s.Bsize), uint64(s.Blocks) * uint64(s.Bsize)
}
