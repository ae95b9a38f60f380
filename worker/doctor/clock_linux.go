package doctor

import "syscall"

// clockKept asks the kernel whether something disciplines its clock (adjtimex(2): STA_UNSYNC).
func clockKept() (synced, known bool) {
	var t syscall.Timex
	if _, err := syscall.Adjtimex(&t); err != nil {
		return false, false
	}
	const unsynced = 0x40
	return t.Status&unsynced == 0, true
}
