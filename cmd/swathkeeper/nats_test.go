package main

import (
	"fmt"
	"os"

	"github.com/nats-io/nats-server/v2/server"
)

// asServer makes the test binary run as a NATS server with the configuration file it names.
const asServer = "TEST_AS_NATS_SERVER"

// serveNATS runs a NATS server until it is killed.
func serveNATS(file string) {
	o, err := server.ProcessConfigFile(file)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	o.NoSigs = true
	s, err := server.NewServer(o)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	s.ConfigureLogger()
	s.Start()
	select {}
}
