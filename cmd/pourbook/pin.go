package main

import (
	"bufio"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"

	"pourbook/internal/people"
	"pourbook/internal/store"
)

// runPIN gives an owner a PIN from the command line: the first one, or a new one for who has forgotten theirs. Whoever can
// write the file of the book can do so, as they can do anything else with it.
func runPIN(ctx context.Context, args []string, in io.Reader, out io.Writer) error {
	flags := newFlags("pin", "Makes somebody an owner and gives them a PIN, which locks the shop.\nThe PIN is asked for, or read from the input as one line. The book must not be in use.", out)
	book := flags.String("book", defaultBook(), "file of the book")
	name := flags.String("name", "", "of the owner")
	if err := parse(flags, args); err != nil {
		return err
	}
	if strings.TrimSpace(*name) == "" {
		return usageError{errors.New("pourbook pin: whose? Say: pourbook pin -name NAME")}
	}
	if _, err := os.Stat(*book); err != nil {
		return fmt.Errorf("there is no book to lock: %w", err)
	}
	s, err := store.Open(*book)
	if err != nil {
		return err
	}
	defer s.Close()
	typed, err := askPIN(in, out)
	if err != nil {
		return err
	}
	pin, err := people.NewPIN(typed, people.Owner)
	if err != nil {
		return err
	}
	var salt [people.SaltSize]byte
	_, _ = rand.Read(salt[:]) // never fails: crypto/rand ends the program first
	hash, err := pin.Hash(salt[:])
	if err != nil {
		return err
	}
	owner, err := ownerNamed(ctx, s, *name)
	if err != nil {
		return err
	}
	if err := s.SetPIN(ctx, owner.ID, hash); err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "%s is an owner and has a new PIN. The shop is locked.\n", owner.Name)
	return err
}

func ownerNamed(ctx context.Context, s *store.Store, name string) (store.Person, error) {
	p := store.Person{Name: name}
	all, err := s.People(ctx)
	if err != nil {
		return p, err
	}
	for _, known := range all {
		if strings.EqualFold(known.Name, strings.Join(strings.Fields(name), " ")) {
			p = known
		}
	}
	p.Role, p.Active = people.Owner.String(), true
	return s.SavePerson(ctx, p)
}

// askPIN asks twice at a terminal, where what is typed is not shown; any other input is one line.
func askPIN(in io.Reader, out io.Writer) (string, error) {
	file, ok := in.(*os.File)
	if !ok || !term.IsTerminal(int(file.Fd())) {
		line, err := bufio.NewReader(io.LimitReader(in, 1024)).ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return "", err
		}
		return strings.TrimSpace(line), nil
	}
	var typed [2]string
	for i, question := range []string{"PIN, 6 to 12 digits: ", "The same again: "} {
		fmt.Fprint(out, question)
		line, err := term.ReadPassword(int(file.Fd()))
		fmt.Fprintln(out)
		if err != nil {
			return "", err
		}
		typed[i] = string(line)
	}
	if typed[0] != typed[1] {
		return "", errors.New("the two are not the same. Nothing was changed; say it again")
	}
	return typed[0], nil
}
