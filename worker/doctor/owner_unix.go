//go:build unix

package doctor

import (
	"io/fs"
	"syscall"
)

// ofRoot reports whether a file belongs to root.
func ofRoot(st fs.FileInfo) bool {
	sys, ok := st.Sys().(*syscall.Stat_t)
	return ok && sys.Uid == 0
}
