package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sync/errgroup"

	"pourbook/internal/backup"
	"pourbook/internal/bench"
	"pourbook/internal/gram"
	"pourbook/internal/scale"
	"pourbook/internal/store"
	"pourbook/web"
)

// serveOptions say how a book is served.
type serveOptions struct {
	Addr   string
	Scale  scale.Scale // nil: every reading is typed
	Name   string      // of the scale, for the screens
	Notice string      // one sentence over every page
	Log    *slog.Logger
	SetUp  *scales
	Backup string // folder for a backup a day, "" for none
	Net    network
}

func runServe(ctx context.Context, args []string, _ io.Reader, out io.Writer) error {
	flags := newFlags("serve", "Opens a book, making it where there is none, and serves its screens.\nIt listens on this machine alone until -open, or another -addr, lets the shop's network in.", out)
	book := flags.String("book", defaultBook(), "file of the book")
	addr := flags.String("addr", "127.0.0.1:8040", "address to listen on")
	kind := flags.String("scale", "", scaleHelp)
	division := flags.Float64("division", 0, "smallest step of the scale of -scale, `grams`; 0: as it is set up, or 0.1")
	seed := flags.Uint64("seed", 1, "of the pretend scale's hand")
	backupTo := flags.String("backup-to", "", "`folder`, best on another disk, for one backup a day; the newest of the last 7 days, 4 weeks and 12 months are kept")
	reach := networkFlags(flags)
	if err := parse(flags, args); err != nil {
		return err
	}
	if err := checkBackupFolder(*backupTo, *book); err != nil {
		return err
	}
	step, err := gram.FromGrams(*division)
	if err != nil || step < 0 {
		return usageError{errors.New("pourbook serve: -division takes grams above 0")}
	}
	if err := os.MkdirAll(filepath.Dir(*book), 0o755); err != nil {
		return fmt.Errorf("make the folder of the book: %w", err)
	}
	s, err := store.Open(*book)
	if err != nil {
		return err
	}
	defer s.Close()
	reach.Folder = *book + ".tls"
	device, name, err := shopScale(ctx, s, *kind, step, *seed)
	if err != nil {
		return err
	}
	return serveBook(ctx, s, serveOptions{Net: *reach, Addr: *addr, Scale: device, Name: name, SetUp: &scales{fixed: *kind != ""}, Backup: *backupTo}, out)
}

func defaultBook() string {
	dir, err := os.UserConfigDir()
	if err != nil {
		dir = "."
	}
	return filepath.Join(dir, "pourbook", "book.db")
}

// shopScale makes the scale of the flag, or where that is empty the one that the shop has set up.
func shopScale(ctx context.Context, s *store.Store, flag string, division gram.Mass, seed uint64) (scale.Scale, string, error) {
	settings, err := s.Settings(ctx)
	if err != nil {
		return nil, "", err
	}
	setup := settings.Scale
	if flag != "" {
		if setup, err = parseScale(flag, setup, division); err != nil {
			return nil, "", err
		}
	}
	if setup.Kind == store.ScalePretend {
		device, err := scale.NewPretend(scale.PretendSetup{Balance: setup.Balance, Hand: scale.Skilled(), Seed: seed})
		return device, "pretend scale", err
	}
	return buildScale(setup, settings.Balance)
}

// serveBook serves an open book until ctx ends, then lets go of the streams and the scale in order.
func serveBook(ctx context.Context, s *store.Store, o serveOptions, out io.Writer) error {
	easeRuntime()
	if o.Log == nil {
		o.Log = slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelInfo}))
	}
	listener, err := openDoor(ctx, s, o.Addr, o.Net, o.Log)
	if err != nil {
		return err
	}
	defer listener.Close()
	settings, err := s.Settings(ctx)
	if err != nil {
		return err
	}
	typed := o.Scale == nil
	if typed {
		o.Scale, o.Name = scale.NewKeypad(settings.Balance), "Readings are typed; the scale"
	}
	defer o.Scale.Close()
	b := bench.New(o.Name, o.Scale, s, time.Now, o.Log)
	hand, _ := o.Scale.(web.Hand)
	var setUp web.Scales // nil where the scale is not the shop's own
	if o.SetUp != nil {
		o.SetUp.bench, setUp = b, o.SetUp
	}
	done := make(chan struct{})
	server := &http.Server{
		Handler: web.New(web.Config{
			Store: s, Bench: b, Typed: typed, Scales: setUp, Hand: hand, Notice: o.Notice, Now: time.Now, Log: o.Log, Done: done,
			Open: listener.open, Hosts: listener.hosts, Addresses: listener.addresses, Authority: listener.authority, Fingerprint: listener.fingerprint,
		}),
		MaxHeaderBytes:    32 << 10,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       15 * time.Second,
		WriteTimeout:      15 * time.Second,
		IdleTimeout:       60 * time.Second,
		ErrorLog:          slog.NewLogLogger(o.Log.Handler(), slog.LevelWarn),
	}
	server.RegisterOnShutdown(func() { close(done) })
	fmt.Fprintf(out, "Pourbook is at %s://%s\n", listener.scheme, listener.here())
	for _, address := range listener.addresses {
		fmt.Fprintf(out, "Tablets reach it at %s\n", address)
	}
	if err := listener.firstJoin(ctx, s, out); err != nil {
		return err
	}
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error {
		if err := server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
			return err
		}
		return nil
	})
	group.Go(func() error {
		if err := b.Run(ctx); ctx.Err() == nil {
			return err
		}
		return nil
	})
	if o.Backup != "" {
		daily := backup.Daily{Store: s, Folder: o.Backup, Now: time.Now, Log: o.Log}
		group.Go(func() error {
			daily.Run(ctx)
			return nil
		})
	}
	group.Go(func() error {
		<-ctx.Done()
		stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
		defer cancel()
		return server.Shutdown(stop)
	})
	return group.Wait()
}

// newFlags returns the flags of a subcommand; its help goes to out.
func newFlags(name, about string, out io.Writer) *flag.FlagSet {
	flags := flag.NewFlagSet(name, flag.ContinueOnError)
	flags.SetOutput(out)
	flags.Usage = func() {
		fmt.Fprintf(out, "Usage: pourbook %s [flags]\n\n%s\n\n", name, about)
		flags.PrintDefaults()
		fmt.Fprintln(out, "\nExit codes: 0 done, 1 it failed, 2 it was asked wrongly.")
	}
	return flags
}

// parse reads the flags; asking for help is no error.
func parse(flags *flag.FlagSet, args []string) error {
	err := flags.Parse(args)
	if errors.Is(err, flag.ErrHelp) {
		return errHelp
	}
	if err != nil {
		return usageError{err}
	}
	return nil
}

var errHelp = errors.New("help was asked for")

// sentenceOf returns the words of an error that a person may see.
func sentenceOf(err error) string {
	if said := store.Sentence(err); said != "" {
		return said
	}
	return err.Error()
}
