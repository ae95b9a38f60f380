//go:build !unix

package bus

// mayLook leaves it to the system's own access rights.
func mayLook(string) error { return nil }
