// Command pourbook mixes refinish colour by weight: a book of formulas, a bench with a scale, and the screens for both.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
)

// command is one subcommand. Each has its own file, flags and help.
type command struct {
	name, does string
	run        func(ctx context.Context, args []string, in io.Reader, out io.Writer) error
}

var commands = []command{
	{"serve", "open a book and serve its screens", runServe},
	{"demo", "the same with an invented shop, in a throw-away file", runDemo},
	{"pin", "give an owner a PIN, which locks the shop", runPIN},
	{"calc", "one calculation as JSON: plan, correct, reduce …", runCalc},
	{"import", "put toners or formulas from CSV files into a book", runImport},
	{"export", "write the book's formulas or toners as CSV", runExport},
	{"backup", "keep a copy of a book, also while it is served, and read it back", runBackup},
	{"restore", "put a backup in the place of a book", runRestore},
	{"rehearse", "pour simulated cups: how much paint each way of correcting takes", runRehearse},
	{"check", "look a book over: integrity, references, sums, every batch", runCheck},
}

// usageError ends the program with exit code 2.
type usageError struct{ error }

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	err := run(ctx, os.Args[1:], os.Stdin, os.Stdout)
	var usage usageError
	switch {
	case err == nil, errors.Is(err, errHelp):
	case errors.Is(err, quietUsage{}):
		os.Exit(2)
	case errors.As(err, &usage):
		fmt.Fprintln(os.Stderr, err)
		os.Exit(2)
	default:
		fmt.Fprintln(os.Stderr, "pourbook: "+sentenceOf(err))
		os.Exit(1)
	}
}

func run(ctx context.Context, args []string, in io.Reader, out io.Writer) error {
	if len(args) == 0 || args[0] == "help" || args[0] == "-h" || args[0] == "--help" {
		return help(out)
	}
	for _, c := range commands {
		if c.name == args[0] {
			return c.run(ctx, args[1:], in, out)
		}
	}
	return usageError{fmt.Errorf("pourbook: there is no %q. Say: pourbook help", args[0])}
}

func help(out io.Writer) error {
	text := "Pourbook mixes refinish colour by weight.\n\nUsage: pourbook COMMAND [flags]\n\n"
	for _, c := range commands {
		text += fmt.Sprintf("  %-9s %s\n", c.name, c.does)
	}
	text += "\nEach command says more with -h. Exit codes: 0 done, 1 it failed, 2 it was asked wrongly.\n"
	_, err := io.WriteString(out, text)
	return err
}
