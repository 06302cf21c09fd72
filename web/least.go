package web

import (
	"net/http"
	"slices"
	"time"

	"github.com/go-chi/chi/v5"

	"pourbook/internal/people"
)

// Whom a locked shop lets in where: every address that routes.go lists, with the least role that may use it, in the order
// of the screens. An address that is not here is for owners, and a test says that it is missing.
var leastRole = map[string]people.Role{
	// Streams and taps
	"GET /batch/{batch}/stream":   people.Mixer,
	"POST /batch/{batch}/tap":     people.Mixer,
	"POST /batch/{batch}/bring":   people.Mixer,
	"POST /batch/{batch}/wait":    people.Mixer,
	"POST /batch/{batch}/pretend": people.Mixer,
	"GET /match/{search}/stream":  people.Mixer,

	// Coming in
	"GET /who":           people.Nobody,
	"POST /who":          people.Nobody,
	"GET /who/{person}":  people.Nobody,
	"POST /who/{person}": people.Nobody,
	"POST /leave":        people.Nobody,
	"GET /join":          people.Nobody,
	"GET /join/{code}":   people.Nobody,
	"POST /join":         people.Nobody,
	"GET /authority.crt": people.Nobody, // public by its nature: tablets need it before they can trust
	"POST /scheme":       people.Nobody, // light or dark, a cookie of that screen

	// Bench
	"GET /":                       people.Mixer,
	"GET /mix/{formula}":          people.Mixer,
	"POST /mix/{formula}":         people.Mixer,
	"GET /batch/{batch}":          people.Mixer,
	"GET /batch/{batch}/other":    people.Mixer,
	"GET /batch/{batch}/wrong":    people.Mixer,
	"GET /batch/{batch}/moved":    people.Mixer,
	"GET /batch/{batch}/draw":     people.Mixer,
	"GET /batch/{batch}/tint":     people.Mixer,
	"GET /batch/{batch}/reduce":   people.Mixer,
	"POST /batch/{batch}/reduce":  people.Mixer,
	"GET /batch/{batch}/finish":   people.Mixer,
	"GET /batch/{batch}/give-up":  people.Mixer,
	"GET /pin":                    people.Mixer,
	"POST /pin":                   people.Mixer,
	"GET /batch/{batch}/variant":  people.Painter,
	"POST /batch/{batch}/variant": people.Painter,

	// Book
	"GET /book":                         people.Mixer,
	"GET /book/new":                     people.Owner,
	"POST /book/new":                    people.Owner,
	"POST /book/check":                  people.Painter,
	"GET /book/import":                  people.Owner,
	"POST /book/import":                 people.Owner,
	"GET /book/export.csv":              people.Owner,
	"GET /formula/{formula}":            people.Mixer,
	"GET /formula/{formula}/revise":     people.Owner,
	"POST /formula/{formula}/revise":    people.Owner,
	"GET /formula/{formula}/variant":    people.Painter,
	"POST /formula/{formula}/variant":   people.Painter,
	"GET /formula/{formula}/edit":       people.Owner,
	"POST /formula/{formula}/edit":      people.Owner,
	"GET /formula/{formula}/target":     people.Mixer,
	"POST /formula/{formula}/target":    people.Owner,
	"POST /formula/{formula}/retire":    people.Owner,
	"GET /formula/{formula}/export.csv": people.Owner,
	"GET /compare":                      people.Mixer,

	// Matching
	"GET /match":                people.Mixer,
	"POST /match":               people.Painter,
	"GET /match/{search}":       people.Mixer,
	"POST /match/{search}/stop": people.Painter,
	"GET /match/{search}/keep":  people.Owner,

	// Shelf
	"GET /shelf":            people.Mixer,
	"GET /shelf/complete":   people.Mixer,
	"GET /shelf/import":     people.Owner,
	"POST /shelf/import":    people.Owner,
	"GET /shelf/export.csv": people.Owner,
	"GET /shelf/new":        people.Owner,
	"POST /shelf/new":       people.Owner,
	"GET /shelf/{toner}":    people.Mixer,
	"POST /shelf/{toner}":   people.Owner,

	"GET /shelf/{toner}/colour":  people.Mixer,
	"POST /shelf/{toner}/colour": people.Owner,

	// Cards
	"GET /batch/{batch}/card":  people.Painter,
	"POST /batch/{batch}/card": people.Painter,
	"GET /card/{id}":           people.Mixer,
	"GET /card/{id}/edit":      people.Painter,
	"POST /card/{id}/edit":     people.Painter,
	"GET /card/{id}/photo":     people.Mixer,
	"GET /card/{id}/variant":   people.Painter,
	"GET /cards":               people.Mixer,
	"GET /cards/{formula}":     people.Mixer,

	// Records
	"GET /records": people.Mixer,

	// Shop
	"GET /shop":                      people.Mixer,
	"POST /shop":                     people.Owner,
	"GET /scale":                     people.Mixer,
	"POST /scale":                    people.Owner,
	"GET /scale/now":                 people.Mixer,
	"POST /scale/check":              people.Mixer,
	"GET /lock":                      people.Owner,
	"POST /lock":                     people.Owner,
	"GET /people":                    people.Owner,
	"POST /people":                   people.Owner,
	"GET /people/{person}":           people.Owner,
	"POST /people/{person}":          people.Owner,
	"GET /tablets":                   people.Owner,
	"POST /tablets/code":             people.Owner,
	"POST /tablets/{tablet}/dismiss": people.Owner,

	// Calculators
	"POST /api/calc/{name}": people.Mixer,
}

// uploadWithin is how long a photo or a list may take to arrive.
const uploadWithin = time.Minute

// admit lets a request through whose visitor may use its route. It stands inside the groups of routes.go, where the route
// is known.
func (s *server) admit(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		least, declared := leastRole[r.Method+" "+chi.RouteContext(r.Context()).RoutePattern()]
		if !declared {
			least = people.Owner
		}
		v := visitorOf(r)
		if v.Role.May(least) {
			if isUpload(r) { // a photo over a weak network takes longer than a page; only who may send one gets the time
				c, now := http.NewResponseController(w), time.Now()
				_ = c.SetReadDeadline(now.Add(uploadWithin))
				_ = c.SetWriteDeadline(now.Add(uploadWithin + 15*time.Second)) // where neither can be set, the server's own hold
			}
			next.ServeHTTP(w, r)
			return
		}
		s.page(func(w http.ResponseWriter, r *http.Request) error { return s.turnAway(w, r, v, least) })(w, r)
	})
}

// turnAway sends whoever opens a page to where they can say who they are, and answers anything else with a sentence.
func (s *server) turnAway(w http.ResponseWriter, r *http.Request, v visitor, least people.Role) error {
	f := &fault{status: http.StatusForbidden}
	switch {
	case v.outside():
		f.status, f.sentence, f.next = http.StatusUnauthorized, "This screen has not joined the shop.", "Ask an owner to show the code for joining, on the page Tablets."
		f.goTo, f.label = "/join", "Join"
	case v.Full == people.Nobody:
		f.status, f.sentence, f.next = http.StatusUnauthorized, "Who is here? Nobody has said so at this screen.", "Say who you are, then do it again. Nothing was changed."
		f.goTo, f.label = "/who?back="+here(r), "Who is here?"
	case v.Full.May(least):
		f.sentence, f.next = "An owner's PIN is asked for again after a while.", "Give it, go back and do it again. Nothing was changed."
		f.goTo, f.label = ownPIN(v, r), "Give the PIN"
	default:
		f.sentence = v.Person + " is " + article(v.Full) + " here. This is for " + least.String() + "s" + above(least) + "."
		f.next, f.goTo, f.label = "Nothing was changed. Somebody else can say who they are and do it.", "/who?back="+here(r), "Somebody else"
		return f
	}
	if r.Method == http.MethodGet && !wantsJSON(r) && r.Header.Get("Accept") != "text/event-stream" {
		http.Redirect(w, r, f.goTo, http.StatusSeeOther)
		return nil
	}
	return f
}

func article(r people.Role) string {
	if r == people.Owner {
		return "an owner"
	}
	return "a " + r.String()
}

func above(r people.Role) string {
	if i := slices.Index(people.Roles, r); i >= 0 && i+1 < len(people.Roles) {
		return " and owners"
	}
	return ""
}
