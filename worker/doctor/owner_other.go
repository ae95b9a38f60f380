//go:build !unix

package doctor

import "io/fs"

func ofRoot(fs.FileInfo) bool { return false }
