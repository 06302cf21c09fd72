package web

import (
	"context"
	"errors"

	"pourbook/internal/formula"
	"pourbook/internal/store"
)

// tonerFinder finds toners by what a person calls them, name or code, and remembers what it found: a list names
// the same few toners again and again. The first failure of the store is kept in err.
type tonerFinder struct {
	ctx     context.Context
	store   *store.Store
	systems []formula.System
	known   map[[2]string]formula.Toner
	err     error
}

func (s *server) tonerFinder(ctx context.Context) (*tonerFinder, error) {
	systems, err := s.Store.Systems(ctx)
	return &tonerFinder{ctx: ctx, store: s.Store, systems: systems, known: map[[2]string]formula.Toner{}}, err
}

// find returns the toner of a paint system that has this name or code. Where that system has none it looks through
// the others, so that it can be said which one the toner belongs to.
func (f *tonerFinder) find(system formula.System, name string) (formula.Toner, bool) {
	key := [2]string{string(system), name}
	if t, ok := f.known[key]; ok {
		return t, t.ID != 0
	}
	t, ok := f.in(system, name)
	for i := 0; !ok && i < len(f.systems); i++ {
		if f.systems[i] != system {
			t, ok = f.in(f.systems[i], name)
		}
	}
	f.known[key] = t
	return t, ok
}

// own is find within one paint system only.
func (f *tonerFinder) own(system formula.System, name string) (formula.Toner, bool) {
	t, ok := f.find(system, name)
	return t, ok && t.System == system
}

// named is find by the name alone, within one paint system.
func (f *tonerFinder) named(system formula.System, name string) (formula.Toner, bool) {
	t, err := f.store.TonerByName(f.ctx, system, name)
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		f.keep(err)
	}
	return t, err == nil
}

func (f *tonerFinder) in(system formula.System, name string) (formula.Toner, bool) {
	t, err := f.store.TonerByName(f.ctx, system, name)
	if err == nil {
		return t, true
	}
	if !errors.Is(err, store.ErrNotFound) {
		f.keep(err)
		return formula.Toner{}, false
	}
	code := formula.FoldCode(name)
	if code == "" || len(name) > 200 {
		return formula.Toner{}, false
	}
	likely, err := f.store.CompleteToners(f.ctx, system, name, 1)
	if err != nil && !errors.Is(err, store.ErrInvalid) {
		f.keep(err)
	}
	if len(likely) == 1 && formula.FoldCode(likely[0].Code) == code {
		return likely[0], true
	}
	return formula.Toner{}, false
}

func (f *tonerFinder) keep(err error) {
	if f.err == nil {
		f.err = err
	}
}
