package web

import (
	"errors"
	"net/http"
	"strconv"
	"strings"

	"pourbook/internal/formula"
	"pourbook/internal/people"
	"pourbook/internal/store"
	"pourbook/web/page"
)

func itoa(n int) string { return strconv.Itoa(n) }

// peopleList shows who is in the shop and adds somebody.
func (s *server) peopleList(w http.ResponseWriter, r *http.Request) error {
	v, err := s.peopleView(r)
	if err != nil {
		return err
	}
	return render(w, r, http.StatusOK, page.PeoplePage(v))
}

func (s *server) peopleView(r *http.Request) (page.People, error) {
	v := page.People{Chrome: s.chrome(r, "People", page.RoomShop), Locked: visitorOf(r).Locked, Roles: roleChoices(people.Mixer)}
	a, err := s.Store.Access(r.Context())
	for _, p := range a.People {
		v.People = append(v.People, page.PersonRow{Href: "/people/" + strconv.FormatInt(p.ID, 10), Name: p.Name, Role: p.Role.String(), HasPIN: p.HasPIN, Gone: !p.Active})
	}
	return v, err
}

func roleChoices(chosen people.Role) []page.RoleChoice {
	var all []page.RoleChoice
	for _, r := range people.Roles {
		all = append(all, page.RoleChoice{Value: r.String(), Does: r.Does(), Chosen: r == chosen})
	}
	return all
}

// personForm is what is typed of a person.
type personForm struct {
	name     string
	role     people.Role
	active   bool
	pin      people.PIN
	hasPIN   bool
	problems map[string]string
}

func readPerson(r *http.Request) personForm {
	f := personForm{problems: map[string]string{}, name: strings.Join(strings.Fields(validText(r.PostFormValue("name"))), " "), active: r.PostFormValue("gone") == ""}
	if problem := nameProblem(f.name); problem != "" {
		f.problems["name"] = problem
	}
	var err error
	if f.role, err = people.ParseRole(r.PostFormValue("role")); err != nil {
		f.problems["role"] = err.Error()
	}
	f.pin, f.hasPIN = f.typedPIN(r)
	return f
}

// typedPIN reads a new PIN that is typed twice; both empty means none.
func (f personForm) typedPIN(r *http.Request) (people.PIN, bool) {
	first, again := r.PostFormValue("pin"), r.PostFormValue("again")
	if first == "" && again == "" {
		return people.PIN{}, false
	}
	pin, err := people.NewPIN(first, f.role)
	switch {
	case err != nil:
		f.problems["pin"] = err.Error()
	case people.TypedPIN(again) != pin:
		f.problems["again"] = "The two are not the same. Type the PIN twice."
	}
	return pin, err == nil
}

// personAdd puts somebody new on the list.
func (s *server) personAdd(w http.ResponseWriter, r *http.Request) error {
	f := readPerson(r)
	if len(f.problems) == 0 {
		_, err := s.savePerson(r, f, store.Person{Name: f.name, Role: f.role.String(), Active: true})
		if err == nil {
			http.Redirect(w, r, "/people", http.StatusSeeOther)
			return nil
		}
		if !f.saysWhy(err) {
			return err
		}
	}
	v, err := s.peopleView(r)
	if err != nil {
		return err
	}
	v.Name, v.Roles, v.Problems = f.name, roleChoices(f.role), f.problems
	return render(w, r, http.StatusUnprocessableEntity, page.PeoplePage(v))
}

// savePerson keeps a person, and their PIN where one was typed.
func (s *server) savePerson(r *http.Request, f personForm, p store.Person) (store.Person, error) {
	p, err := s.Store.SavePerson(r.Context(), p)
	if err != nil {
		return p, err
	}
	s.gate.forget()
	if f.hasPIN {
		err = s.keepPIN(r.Context(), p.ID, f.pin)
	}
	s.Log.Info("person saved", "person", p.Name, "role", p.Role, "active", p.Active, "new PIN", f.hasPIN, "by", visitorOf(r).Person)
	return p, err
}

// saysWhy puts the store's refusal beside its field.
func (f personForm) saysWhy(err error) bool {
	var ps formula.Problems
	var one formula.Problem
	switch {
	case errors.As(err, &ps):
		for _, p := range ps {
			f.problems[p.Field] = p.Error()
		}
		return len(ps) > 0
	case errors.As(err, &one):
		f.problems[one.Field] = one.Error()
		return true
	}
	return false
}

// personPage changes one person.
func (s *server) personPage(w http.ResponseWriter, r *http.Request) error {
	p, err := s.person(r)
	if err != nil {
		return err
	}
	return render(w, r, http.StatusOK, page.PersonPage(s.personView(r, p)))
}

func (s *server) personView(r *http.Request, p people.Person) page.PersonForm {
	return page.PersonForm{
		Chrome: s.chrome(r, p.Name, page.RoomShop), Action: "/people/" + strconv.FormatInt(p.ID, 10), Heading: p.Name, Name: p.Name,
		Roles: roleChoices(p.Role), HasPIN: p.HasPIN, Gone: !p.Active,
	}
}

func (s *server) personSave(w http.ResponseWriter, r *http.Request) error {
	p, err := s.person(r)
	if err != nil {
		return err
	}
	f := readPerson(r)
	if p.HasPIN && !f.hasPIN && f.role == people.Owner && p.Role != people.Owner {
		f.problems["pin"] = "An owner's PIN is longer than a " + p.Role.String() + "'s. Type a new one."
	}
	if len(f.problems) == 0 {
		_, err := s.savePerson(r, f, store.Person{ID: p.ID, Name: f.name, Role: f.role.String(), Active: f.active})
		if err == nil {
			http.Redirect(w, r, "/people", http.StatusSeeOther)
			return nil
		}
		if !f.saysWhy(err) {
			return err
		}
	}
	v := s.personView(r, p)
	v.Name, v.Roles, v.Gone, v.Problems = f.name, roleChoices(f.role), !f.active, f.problems
	return render(w, r, http.StatusUnprocessableEntity, page.PersonPage(v))
}

// lockForm makes somebody the owner who holds the key.
func (s *server) lockForm(w http.ResponseWriter, r *http.Request) error {
	if visitorOf(r).Locked {
		http.Redirect(w, r, "/people", http.StatusSeeOther)
		return nil
	}
	v, err := s.lockView(r)
	if err != nil {
		return err
	}
	return render(w, r, http.StatusOK, page.LockPage(v))
}

func (s *server) lockView(r *http.Request) (page.Lock, error) {
	v := page.Lock{Chrome: s.chrome(r, "Lock this shop", page.RoomShop), Name: visitorOf(r).Person}
	a, err := s.Store.Access(r.Context())
	for _, p := range a.People {
		if p.Active {
			v.Names = append(v.Names, p.Name)
		}
		if v.Name == "" && p.Active && p.Role == people.Owner {
			v.Name = p.Name
		}
	}
	return v, err
}

// lock gives an owner a PIN, from which on the rules hold, and lets the browser at which it happened stay in.
func (s *server) lock(w http.ResponseWriter, r *http.Request) error {
	v := visitorOf(r)
	if v.Locked {
		return &fault{status: http.StatusConflict, sentence: "The shop is locked already.", next: "Owners change PINs on the page People.", goTo: "/people", label: "People"}
	}
	f := personForm{problems: map[string]string{}, name: strings.Join(strings.Fields(validText(r.PostFormValue("name"))), " "), role: people.Owner, active: true}
	if problem := nameProblem(f.name); problem != "" {
		f.problems["name"] = problem
	}
	if f.pin, f.hasPIN = f.typedPIN(r); !f.hasPIN && len(f.problems) == 0 {
		_, err := people.NewPIN("", people.Owner)
		f.problems["pin"] = err.Error()
	}
	if len(f.problems) > 0 {
		view, err := s.lockView(r)
		if err != nil {
			return err
		}
		view.Name, view.Problems = f.name, f.problems
		return render(w, r, http.StatusUnprocessableEntity, page.LockPage(view))
	}
	p := store.Person{Name: f.name, Role: people.Owner.String(), Active: true}
	all, err := s.Store.People(r.Context())
	if err != nil {
		return err
	}
	for _, known := range all {
		if strings.EqualFold(known.Name, f.name) {
			p.ID, p.Name = known.ID, known.Name
		}
	}
	// The browser joins before the PIN locks the shop: whatever fails in between, nobody is shut out.
	device, err := s.joinHere(w, r, f.name)
	if err != nil {
		return err
	}
	if p, err = s.savePerson(r, f, p); err != nil {
		return err
	}
	owner, err := s.personOf(r.Context(), p.ID)
	if err != nil {
		return err
	}
	if err := s.signIn(r.Context(), device, owner, false); err != nil {
		return err
	}
	s.gate.freshen(device, owner)
	s.Log.Info("shop locked", "by", p.Name)
	http.Redirect(w, r, "/people", http.StatusSeeOther)
	return nil
}

// ownPINForm changes the PIN of who is signed in.
func (s *server) ownPINForm(w http.ResponseWriter, r *http.Request) error {
	v := visitorOf(r)
	if v.PersonID == 0 {
		http.Redirect(w, r, "/who", http.StatusSeeOther)
		return nil
	}
	return render(w, r, http.StatusOK, page.OwnPINPage(page.OwnPIN{Chrome: s.chrome(r, "Change my PIN", page.RoomBench), Name: v.Person}))
}

func (s *server) ownPINSave(w http.ResponseWriter, r *http.Request) error {
	v := visitorOf(r)
	if v.PersonID == 0 {
		http.Redirect(w, r, "/who", http.StatusSeeOther)
		return nil
	}
	p, err := s.personOf(r.Context(), v.PersonID)
	if err != nil {
		return err
	}
	f := personForm{problems: map[string]string{}, role: p.Role}
	pin, ok := f.typedPIN(r)
	if !ok && len(f.problems) == 0 {
		_, err := people.NewPIN("", p.Role)
		f.problems["pin"] = err.Error()
	}
	status := http.StatusUnprocessableEntity
	if len(f.problems) == 0 { // only now: a slip in the new PIN is no try of the old one
		sentence, code, err := s.tryPIN(r, p, r.PostFormValue("old"))
		if err != nil {
			return err
		}
		if sentence != "" {
			f.problems["old"], status = sentence, code
		}
	}
	if len(f.problems) > 0 {
		return render(w, r, status, page.OwnPINPage(page.OwnPIN{Chrome: s.chrome(r, "Change my PIN", page.RoomBench), Name: p.Name, Problems: f.problems}))
	}
	if err := s.keepPIN(r.Context(), p.ID, pin); err != nil {
		return err
	}
	if err := s.signIn(r.Context(), v.Device, p, false); err != nil { // a new PIN ended every session; this one goes on
		return err
	}
	s.gate.freshen(v.Device, p)
	s.Log.Info("PIN changed", "person", p.Name)
	http.Redirect(w, r, "/who", http.StatusSeeOther)
	return nil
}

// schemeSave remembers whether this screen is light or dark.
func (s *server) schemeSave(w http.ResponseWriter, r *http.Request) error {
	switch scheme := r.PostFormValue("scheme"); scheme {
	case "", "light", "dark":
		setCookie(w, r, cookieScheme, scheme)
		http.Redirect(w, r, "/shop", http.StatusSeeOther)
		return nil
	}
	return badRequest("A screen is light, dark or as the device.")
}
