//go:build !linux

package main

import "os"

// peak is known on Linux alone: elsewhere the unit differs or there is none.
func peak(*os.ProcessState) string { return "memory not measured here" }
