package main

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"strings"

	"pourbook/internal/calc"
)

func runCalc(_ context.Context, args []string, in io.Reader, out io.Writer) error {
	flags := newFlags("calc NAME < in.json > out.json", "One JSON object in, one out: the same numbers as on the screens.\nNAME is one of "+strings.Join(calc.Names(), ", ")+".\nA problem goes to standard error as JSON, with exit code 2.", out)
	if err := parse(flags, args); err != nil {
		return err
	}
	if flags.NArg() != 1 {
		return usageError{errors.New("pourbook calc: name one calculator: " + strings.Join(calc.Names(), ", "))}
	}
	err := calc.Run(flags.Arg(0), in, out)
	var problem *calc.Problem
	if errors.As(err, &problem) {
		if err := json.NewEncoder(os.Stderr).Encode(problem); err != nil {
			return err
		}
		return quietUsage{}
	}
	return err
}

// quietUsage ends with exit code 2 when the problem is written already.
type quietUsage struct{}

func (quietUsage) Error() string { return "" }
