package web

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"sync"
	"time"

	"github.com/go-chi/chi/v5"
	"github.com/google/uuid"

	"pourbook/internal/bench"
	"pourbook/internal/people"
	"pourbook/internal/pour"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// How long a PIN lasts. Whoever gave theirs at a screen comes back with a tap for as long as they are about: a shift. What
// is an owner's alone asks for it again soon, since a screen at the bench is left lying about; until then the owner is at
// work as a mixer, so that no cup waits for a PIN.
const (
	shift      = 12 * time.Hour
	ownerFresh = 15 * time.Minute
	noteSeen   = 10 * time.Minute // how often it is written down that somebody is about
)

// gate knows who may come in, from memory: a request costs no query. It is read again after every change.
type gate struct {
	store *store.Store
	now   func() time.Time
	open  bool // other machines can reach the program

	mu    sync.Mutex
	state *doors
	about map[at]time.Time    // when a person last did something at a screen
	fresh map[string]freshPIN // owners by screen
}

type at struct {
	device string
	person int64
}

type freshPIN struct {
	person int64
	at     time.Time
}

// doors is what the store knows, made ready to be looked up.
type doors struct {
	locked   bool
	people   []people.Person
	persons  map[int64]people.Person
	devices  map[[sha256.Size]byte]store.Device
	sessions map[at]store.Session
}

func newGate(book *store.Store, now func() time.Time, open bool) *gate {
	return &gate{store: book, now: now, open: open, about: map[at]time.Time{}, fresh: map[string]freshPIN{}}
}

// forget makes the next request read anew who may come in. Every change of people, screens and sessions ends with it.
func (g *gate) forget() {
	g.mu.Lock()
	g.state = nil
	g.mu.Unlock()
}

// doors returns who may come in. The caller holds the lock.
func (g *gate) doors(ctx context.Context) (*doors, error) {
	if g.state != nil {
		return g.state, nil
	}
	a, err := g.store.Access(ctx)
	if err != nil {
		return nil, err // nobody comes in on a guess
	}
	d := &doors{locked: people.Locked(a.People), people: a.People, persons: map[int64]people.Person{}, devices: map[[sha256.Size]byte]store.Device{}, sessions: map[at]store.Session{}}
	for _, p := range a.People {
		d.persons[p.ID] = p
	}
	for _, device := range a.Devices {
		if !device.Dismissed {
			d.devices[device.KeyHash] = device
		}
	}
	for _, s := range a.Sessions {
		d.sessions[at{s.Device, s.PersonID}] = s
	}
	g.state = d
	return d, nil
}

// visitor completes who asks with what they may do, and notes that they are about.
func (g *gate) visitor(r *http.Request, v visitor) (visitor, error) {
	v, note, err := g.look(r, v, true)
	if err == nil && note {
		err = g.store.Seen(r.Context(), v.Device, v.PersonID)
		if err == nil || store.Sentence(err) != "" {
			return v, nil // a full disk keeps nobody from reading
		}
	}
	return v, err
}

func (g *gate) look(r *http.Request, v visitor, asks bool) (_ visitor, note bool, err error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	d, err := g.doors(r.Context())
	if err != nil {
		return v, false, err
	}
	v.Locked = d.locked
	if !d.locked && g.open && !v.AtMachine {
		v.Locked = true
		return v, false, nil // serve sees to it that this never is
	}
	if !d.locked {
		v.Joined, v.Role, v.Full = true, people.Owner, people.Owner
		return v, false, nil
	}
	v.Person = ""
	device, ok := d.devices[keyOf(r)]
	if !ok {
		return v, false, nil
	}
	v.Device, v.Joined = device.ID, true
	person, ok := d.persons[device.PersonID]
	if !ok || !g.inShift(d, at{device.ID, device.PersonID}) {
		return v, false, nil
	}
	v.Person, v.PersonID, v.Role, v.Full = person.Name, person.ID, person.Role, person.Role
	now := g.now()
	if person.Role == people.Owner {
		fresh := g.fresh[device.ID]
		switch {
		case fresh.person != person.ID || now.Sub(fresh.at) >= ownerFresh:
			v.Role = people.Mixer
		case asks:
			g.fresh[device.ID] = freshPIN{person.ID, now}
		}
	}
	if !asks {
		return v, false, nil
	}
	key := at{device.ID, person.ID}
	last, known := g.about[key]
	note = !known || now.Sub(last) >= noteSeen
	if note {
		g.about[key] = now
	}
	return v, note, nil
}

// inShift reports whether a person may come back to a screen with a tap. The caller holds the lock.
func (g *gate) inShift(d *doors, key at) bool {
	session, ok := d.sessions[key]
	if !ok || !d.persons[key.person].MaySignIn() {
		return false
	}
	last := session.SeenAt
	if about := g.about[key]; about.After(last) {
		last = about
	}
	return g.now().Sub(last) < shift
}

// still reports whether whoever opened a stream may go on looking.
func (g *gate) still(r *http.Request) bool {
	v, _, err := g.look(r, visitor{}, false)
	return err == nil && v.Role.May(people.Mixer)
}

// keyOf returns the hash of the key that a browser shows.
func keyOf(r *http.Request) [sha256.Size]byte { return sha256.Sum256([]byte(cookie(r, cookieKey))) }

// newKey returns a key for a browser, and what is kept of it.
func newKey() (key string, hash [sha256.Size]byte) {
	var raw [32]byte
	_, _ = rand.Read(raw[:]) // never fails: crypto/rand ends the program first
	key = base64.RawURLEncoding.EncodeToString(raw[:])
	return key, sha256.Sum256([]byte(key))
}

// whoForm asks who works at this screen.
func (s *server) whoForm(w http.ResponseWriter, r *http.Request) error {
	v := visitorOf(r)
	if v.outside() {
		http.Redirect(w, r, "/join", http.StatusSeeOther)
		return nil
	}
	view, err := s.whoView(r)
	if err != nil {
		return err
	}
	return render(w, r, http.StatusOK, page.WhoPage(view))
}

func (s *server) whoView(r *http.Request) (page.Who, error) {
	v := visitorOf(r)
	view := page.Who{Chrome: s.chrome(r, "Who is here?", page.RoomBench), Back: backTo(r), Locked: v.Locked, Joined: v.Joined}
	s.gate.mu.Lock()
	defer s.gate.mu.Unlock()
	d, err := s.gate.doors(r.Context())
	if err != nil {
		return view, err
	}
	for _, p := range d.people {
		if !p.Active || v.Locked && (!p.HasPIN || !v.Joined && p.Role != people.Owner) {
			continue
		}
		row := page.Person{Name: p.Name, Role: p.Role.String(), Here: p.Name == v.Person}
		if v.Locked && !(v.Joined && s.gate.inShift(d, at{v.Device, p.ID})) {
			row.Href = "/who/" + strconv.FormatInt(p.ID, 10) + "?back=" + url.QueryEscape(view.Back)
		}
		view.People = append(view.People, row)
	}
	return view, nil
}

// whoSave remembers at this screen who works at it. In a locked shop that takes a PIN given here within the shift.
func (s *server) whoSave(w http.ResponseWriter, r *http.Request) error {
	v := visitorOf(r)
	if !v.Locked {
		return s.whoSaveOpen(w, r)
	}
	name := r.PostFormValue("name")
	s.gate.mu.Lock()
	d, err := s.gate.doors(r.Context())
	var person people.Person
	if err == nil {
		for _, p := range d.people {
			if p.Name == name {
				person = p
			}
		}
	}
	known := err == nil && v.Joined && person.ID != 0 && s.gate.inShift(d, at{v.Device, person.ID})
	s.gate.mu.Unlock()
	if err != nil {
		return err
	}
	if !known {
		return &fault{status: http.StatusUnauthorized, sentence: "That takes a PIN at this screen.", next: "Choose the name again and give the PIN.", goTo: "/who?back=" + url.QueryEscape(backTo(r)), label: "Who is here?"}
	}
	if err := s.signIn(r.Context(), v.Device, person, person.ID == v.PersonID); err != nil {
		return err
	}
	if err := s.handOver(r.Context(), v.Device, person.Name); err != nil {
		return err
	}
	http.Redirect(w, r, backTo(r), http.StatusSeeOther)
	return nil
}

// signIn makes a person the one who works at a screen. keep: an owner's PIN stays as fresh as it was.
func (s *server) signIn(ctx context.Context, device string, p people.Person, keep bool) error {
	if err := s.Store.SignIn(ctx, device, p.ID); err != nil {
		return err
	}
	s.gate.forget()
	s.gate.mu.Lock()
	defer s.gate.mu.Unlock()
	s.gate.about[at{device, p.ID}] = s.Now()
	if !keep {
		delete(s.gate.fresh, device)
	}
	return nil
}

// handOver makes whoever works at a screen now the one who pours the cup on the scale, where that screen holds it: what
// the bench books by itself carries the name of who pours.
func (s *server) handOver(ctx context.Context, device, name string) error {
	if s.Bench == nil || s.Bench.Active() == "" || name == "" {
		return nil
	}
	state, err := s.Store.State(ctx, s.Bench.Active())
	if errors.Is(err, store.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	if state.Holder != device || state.Name == name || state.Ended() {
		return nil
	}
	_, err = s.Bench.Do(ctx, state.Batch, bench.Tap{Command: pour.Command{
		ID: uuid.NewString(), Device: device, By: name, At: s.Now(), Seen: state.Decided, Epoch: state.Epoch,
		Body: pour.TakenOver{Device: device, Name: name},
	}})
	var refusal *pour.Refusal
	if errors.As(err, &refusal) { // somebody else has just taken it over
		return nil
	}
	return err
}

// person finds the person of an address.
func (s *server) person(r *http.Request) (people.Person, error) {
	id, err := strconv.ParseInt(chi.URLParam(r, "person"), 10, 64)
	if err != nil {
		return people.Person{}, notFound("person")
	}
	return s.personOf(r.Context(), id)
}

func (s *server) personOf(ctx context.Context, id int64) (people.Person, error) {
	s.gate.mu.Lock()
	defer s.gate.mu.Unlock()
	d, err := s.gate.doors(ctx)
	if err != nil {
		return people.Person{}, err
	}
	p, ok := d.persons[id]
	if !ok {
		return people.Person{}, notFound("person")
	}
	return p, nil
}

// pinForm shows the keys for a PIN.
func (s *server) pinForm(w http.ResponseWriter, r *http.Request) error {
	if v := visitorOf(r); v.outside() {
		return s.turnAway(w, r, v, people.Mixer)
	}
	p, err := s.mayTry(r)
	if err != nil {
		return err
	}
	return render(w, r, http.StatusOK, page.PINPage(s.pinView(r, p)))
}

func (s *server) pinView(r *http.Request, p people.Person) page.PIN {
	c := s.chrome(r, p.Name, page.RoomBench)
	c.Scripts = append(c.Scripts, assetURL("js/pin.js"))
	return page.PIN{Chrome: c, Name: p.Name, Action: "/who/" + strconv.FormatInt(p.ID, 10), Back: backTo(r)}
}

// mayTry returns the person whose PIN may be tried at this screen: anybody's at one that has joined, at the machine
// itself an owner's, elsewhere nobody's.
func (s *server) mayTry(r *http.Request) (people.Person, error) {
	v := visitorOf(r)
	p, err := s.person(r)
	if err == nil && (!v.Locked || !p.MaySignIn() || !v.Joined && p.Role != people.Owner) {
		err = notFound("person with a PIN")
	}
	return p, err
}

// pinSend signs a person in whose PIN is right. At the machine itself an owner's PIN lets the browser join as well.
func (s *server) pinSend(w http.ResponseWriter, r *http.Request) error {
	v := visitorOf(r)
	if v.outside() {
		return s.turnAway(w, r, v, people.Mixer)
	}
	p, err := s.mayTry(r)
	if err != nil {
		return err
	}
	if sentence, status, err := s.tryPIN(r, p, r.PostFormValue("pin")); err != nil {
		return err
	} else if sentence != "" {
		view := s.pinView(r, p)
		view.Problem = sentence
		return s.show(w, r, status, view)
	}
	if !v.Joined {
		if v.Device, err = s.joinHere(w, r, p.Name); err != nil {
			return err
		}
	}
	if err := s.signIn(r.Context(), v.Device, p, false); err != nil {
		return err
	}
	s.gate.freshen(v.Device, p)
	if err := s.handOver(r.Context(), v.Device, p.Name); err != nil {
		return err
	}
	s.Log.Info("signed in", "person", p.Name, "device", v.Device)
	http.Redirect(w, r, backTo(r), http.StatusSeeOther)
	return nil
}

func (s *server) show(w http.ResponseWriter, r *http.Request, status int, view page.PIN) error {
	if wantsJSON(r) {
		return &fault{status: status, sentence: view.Problem, next: "Try again."}
	}
	return render(w, r, status, page.PINPage(view))
}

// freshen notes that an owner's PIN was given here just now.
func (g *gate) freshen(device string, p people.Person) {
	if p.Role != people.Owner {
		return
	}
	g.mu.Lock()
	g.fresh[device] = freshPIN{p.ID, g.now()}
	g.mu.Unlock()
}

// tryPIN compares a PIN, or says in a sentence why not. A try counts before it is known whether it is right, per person
// and per screen; while either has to wait, nothing is hashed.
func (s *server) tryPIN(r *http.Request, p people.Person, typed string) (sentence string, status int, err error) {
	v := visitorOf(r)
	from := "device " + v.Device
	if !v.Joined {
		from = "address " + addressOf(r)
	}
	trying := []store.Trying{
		{Subject: "person " + strconv.FormatInt(p.ID, 10), Limit: people.TriesPerPerson},
		{Subject: from, Limit: people.TriesPerDevice},
	}
	wait, err := s.Store.Charge(r.Context(), trying)
	if err != nil {
		return "", 0, err
	}
	if wait > 0 {
		s.Log.Warn("PIN not tried: too many wrong ones", "person", p.Name, "from", from, "wait", wait)
		return "Too many wrong PINs. Wait " + people.Spell(wait) + ", then try again.", http.StatusTooManyRequests, nil
	}
	right, err := s.isPIN(r.Context(), p.ID, typed)
	if err != nil {
		return "", 0, err
	}
	if !right {
		s.Log.Warn("wrong PIN", "person", p.Name, "from", from)
		return "That is not " + p.Name + "'s PIN. Try again.", http.StatusUnprocessableEntity, nil
	}
	return "", 0, s.Store.Forgive(r.Context(), trying)
}

// isPIN hashes what was typed; only so many at a time, since each takes 19 MiB.
func (s *server) isPIN(ctx context.Context, person int64, typed string) (bool, error) {
	hash, err := s.Store.PIN(ctx, person)
	if errors.Is(err, store.ErrNotFound) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	select {
	case s.hashing <- struct{}{}:
		defer func() { <-s.hashing }()
	case <-ctx.Done():
		return false, ctx.Err()
	}
	return people.TypedPIN(typed).Is(hash)
}

// keepPIN hashes and keeps a new PIN.
func (s *server) keepPIN(ctx context.Context, person int64, pin people.PIN) error {
	var salt [people.SaltSize]byte
	_, _ = rand.Read(salt[:]) // never fails: crypto/rand ends the program first
	select {
	case s.hashing <- struct{}{}:
		defer func() { <-s.hashing }()
	case <-ctx.Done():
		return ctx.Err()
	}
	hash, err := pin.Hash(salt[:])
	if err != nil {
		return err
	}
	if err := s.Store.SetPIN(ctx, person, hash); err != nil {
		return err
	}
	s.gate.forget()
	return nil
}

// joinHere makes the browser that asks a screen of the shop and returns its name for events.
func (s *server) joinHere(w http.ResponseWriter, r *http.Request, by string) (device string, err error) {
	key, hash := newKey()
	d := store.Device{ID: uuid.NewString(), Name: "This machine", KeyHash: hash, JoinedBy: by}
	if err := s.Store.AddDevice(r.Context(), d); err != nil {
		return "", err
	}
	s.gate.forget()
	setCookie(w, r, cookieKey, key)
	s.Log.Info("screen joined", "device", d.ID, "by", by)
	return d.ID, nil
}

// leave ends the session of whoever works at this screen.
func (s *server) leave(w http.ResponseWriter, r *http.Request) error {
	v := visitorOf(r)
	if v.Locked && v.Joined && v.PersonID != 0 {
		if err := s.Store.SignOut(r.Context(), v.Device, v.PersonID); err != nil {
			return err
		}
		s.gate.forget()
	}
	http.Redirect(w, r, "/who", http.StatusSeeOther)
	return nil
}

// here returns the page that was asked for, to come back to.
func here(r *http.Request) string {
	if r.Method != http.MethodGet {
		return ""
	}
	return url.QueryEscape(r.URL.RequestURI())
}

func ownPIN(v visitor, r *http.Request) string {
	return "/who/" + strconv.FormatInt(v.PersonID, 10) + "?back=" + here(r)
}
