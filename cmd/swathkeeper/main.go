// Command swathkeeper watches production inkjet printers through the charts they print.
//
// This package translates: flags, environment and configuration file into options of the worker,
// and records into text or JSON. It decides nothing about readings.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"regexp"
	"syscall"
	_ "time/tzdata" // a shop's time zone must be known on machines without a zone database too

	"github.com/spf13/cobra"

	"swathkeeper/protocol"
)

// parserWords is how the flag parser says that a value is none, in its own language's words.
var parserWords = regexp.MustCompile(`(strconv\.\w+: )?parsing "[^"]*": (invalid syntax|value out of range)`)

// Exit status, as `swathkeeper help` documents it.
const (
	exitFine   = 0
	exitFailed = 1
	exitUsage  = 2
	exitFound  = 3 // judge or compare found something at act or worse
)

func main() { os.Exit(run(os.Stdin, os.Stdout, os.Stderr, os.Args[1:])) }

// run is main without the process, so that tests need none.
func run(stdin io.Reader, stdout, stderr io.Writer, args []string) int {
	ends := []os.Signal{os.Interrupt, syscall.SIGTERM}
	if !signal.Ignored(syscall.SIGHUP) { // as nohup(1) has it
		ends = append(ends, syscall.SIGHUP) // the terminal was closed: that is a stop, and no crash
	}
	ctx, stop := signal.NotifyContext(context.Background(), ends...)
	defer stop()
	context.AfterFunc(ctx, stop) // a second one ends it at once
	root := newRoot()
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	root.SetArgs(args)
	root.SetContext(ctx)
	done, err := root.ExecuteC()
	if cause := context.Cause(done.Context()); err != nil && errors.Is(cause, errDenied) {
		err = cause
	}
	var usage *usageError
	switch {
	case err == nil:
		return exitFine
	case errors.Is(err, errFound):
		return exitFound
	case errors.As(err, &usage):
		fmt.Fprintf(stderr, "swathkeeper: %v\n", err)
		return exitUsage
	}
	fmt.Fprintf(stderr, "swathkeeper: %v\n", err)
	return exitFailed
}

// errFound ends a command with exit status 3: it worked, and what it looked at is not as it should
// be.
var errFound = errors.New("found something at act or worse")

// usageError is a command line that cannot be carried out as it stands.
type usageError struct{ err error }

func (e *usageError) Error() string { return e.err.Error() }
func (e *usageError) Unwrap() error { return e.err }

// usagef makes a usageError. It ends with what to do where the message does not say so already.
func usagef(format string, args ...any) error { return &usageError{fmt.Errorf(format, args...)} }

const rootHelp = `swathkeeper watches production inkjet printers through the charts they print.

Scan stations send chart readings; the worker compares each with the shop's own
known-good state and says what to do: clean the head, refit the profile, look at
the ink, the press, the media, the settings or the paper feed, or measure again.
It advises; a person acts. It never drives anything that heats, moves or pumps.

Exit status: 0 fine, 1 failed, 2 the command line was wrong, 3 judge or compare
found something at act or worse.`

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:           "swathkeeper",
		Short:         "Watches production inkjet printers through the charts they print",
		Long:          rootHelp,
		SilenceUsage:  true,
		SilenceErrors: true,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usagef("there is no command %q; `swathkeeper help` lists them", args[0])
			}
			return nil
		},
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		// Without the words of the parser's own language.
		return usagef("%s; see `%s --help`", parserWords.ReplaceAllString(err.Error(), "not a value it takes"), c.CommandPath())
	})
	addBusFlags(root)
	root.AddCommand(newRun(), newDemo(), newSend(), newJudge(), newBaseline(), newChart(), newHistory(), newJournal(), newVersion())
	for _, c := range extra {
		root.AddCommand(c())
	}
	arrangeHelp(root)
	wrapArgs(root)
	return root
}

// extra holds commands that files of this package add by themselves.
var extra []func() *cobra.Command

// wrapArgs makes every complaint about arguments a usage error.
func wrapArgs(c *cobra.Command) {
	if check := c.Args; check != nil {
		c.Args = func(c *cobra.Command, args []string) error {
			err := check(c, args)
			var usage *usageError
			if err == nil || errors.As(err, &usage) {
				return err
			}
			// The parser's own words count arguments; what they are stands in the usage.
			if c.HasSubCommands() && len(args) > 0 {
				return usagef("%s has no command %q; see `%s --help`", c.CommandPath(), args[0], c.CommandPath())
			}
			return usagef("it is `%s`; see `%s --help`", c.UseLine(), c.CommandPath())
		}
	}
	for _, sub := range c.Commands() {
		wrapArgs(sub)
	}
}

// needToken refuses a flag value that may not stand in a subject.
func needToken(flag, v string) error {
	if v == "" {
		return usagef("give --%s", flag)
	}
	if !protocol.IsToken(v) {
		return usagef("--%s %q: names are 1 to %d of a-z, 0-9 and -, and do not begin with -", flag, v, protocol.MaxToken)
	}
	return nil
}
