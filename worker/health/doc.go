// Package health tells how a worker is doing: to a probe over HTTP, to a collector of metrics, to
// NATS as a service, to systemd, and to whoever is to miss its sign of life. It knows reports and
// figures, and nothing of how the worker comes by them.
package health
