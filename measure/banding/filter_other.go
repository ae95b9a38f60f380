//go:build !amd64

package banding

const canFilterWide = false

func filterWide(_, _ *float64, _ int, _ *float64, _ int) {}
