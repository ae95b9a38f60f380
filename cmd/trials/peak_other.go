//go:build !linux

package main

// watchPeak would follow the largest resident memory of a process.
func watchPeak(int) (stop func() string) { return func() string { return "memory unknown" } }
