// Command demo plays the week at the made-up shop that `swathkeeper demo` plays, and is nothing else. It
// takes about a sixth less to compile, for those who want to see before they wait.
package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	_ "time/tzdata" // the made-up shop's time zone, on machines without a zone database too

	"swathkeeper/worker/demo"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := demo.Run(ctx, demo.Options{Out: os.Stdout, Self: "go run ./cmd/swathkeeper"}); err != nil {
		fmt.Fprintf(os.Stderr, "demo: %v\n", err)
		os.Exit(1)
	}
}
