package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"pourbook/cmd/pourbook/demo"
	"pourbook/internal/pour"
	"pourbook/internal/scale"
	"pourbook/internal/store"
)

const demoNotice = "This is a demo. The shop, its people, toners, colours and codes are invented; the scale is pretended."

func runDemo(ctx context.Context, args []string, _ io.Reader, out io.Writer) (err error) {
	flags := newFlags("demo", "Fills a book with an invented shop and serves it with a pretended scale.\nThe book is thrown away at the end unless -keep says where to keep it.", out)
	addr := flags.String("addr", "127.0.0.1:8040", "address to listen on")
	seed := flags.Int64("seed", 1, "the same seed makes the same shop and the same hand at the scale")
	keep := flags.String("keep", "", "file to keep the book in; it must not exist yet")
	if err := parse(flags, args); err != nil {
		return err
	}
	if flags.NArg() > 0 {
		return usageError{fmt.Errorf("pourbook demo: %q is not understood. Say: pourbook demo -h", flags.Arg(0))}
	}
	path := *keep
	if path == "" {
		folder, making := os.MkdirTemp("", "pourbook-demo-")
		if making != nil {
			return fmt.Errorf("make a folder for the demo: %w", making)
		}
		defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
		path = filepath.Join(folder, "demo.db")
	} else if _, there := os.Lstat(path); !errors.Is(there, fs.ErrNotExist) {
		return usageError{fmt.Errorf("pourbook demo: %s is there already. Name a file that is not", path)}
	}
	book, err := store.Open(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, book.Close()) }()
	if err := loadDemo(ctx, book, *seed, time.Now()); err != nil {
		return err
	}
	device, err := demoScale(ctx, book, *seed)
	if err != nil {
		return err
	}
	if *keep == "" {
		fmt.Fprintln(out, "An invented shop, thrown away when you stop it with Ctrl-C.")
	} else {
		fmt.Fprintf(out, "An invented shop, kept in %s. Stop it with Ctrl-C.\n", path)
	}
	return serveBook(ctx, book, serveOptions{Addr: *addr, Scale: device, Name: "pretended scale", Notice: demoNotice}, out)
}

// loadDemo fills an empty book with the demo as it stands at now.
func loadDemo(ctx context.Context, book *store.Store, seed int64, now time.Time) error {
	return demo.Load(ctx, book, seed, now)
}

// demoScale returns a pretended scale with the cup on it that the demo left in mid-pour.
func demoScale(ctx context.Context, book *store.Store, seed int64) (*scale.Pretend, error) {
	device, err := scale.NewPretend(scale.PretendSetup{Balance: demo.Balance, Hand: scale.Skilled(), Seed: uint64(seed)})
	if err != nil {
		return nil, err
	}
	open, err := book.Batches(ctx, store.BatchFilter{Open: true})
	if err != nil {
		return nil, err
	}
	for _, b := range open {
		if b.Need != pour.NeedPour {
			continue
		}
		state, err := book.State(ctx, b.ID)
		if err != nil {
			return nil, err
		}
		return device, device.Place(state.Last)
	}
	return device, nil
}
