// Package web turns requests into calls on the store and the bench, and their results into pages.
//
// A handler parses, calls one thing and renders. Routes stand on one page (routes.go), errors become a status, a page
// and a log line in one place (errors.go). It holds no SQL, no arithmetic of paint and no markup.
package web

import (
	"log/slog"
	"net/http"
	"time"

	"pourbook/internal/bench"
	"pourbook/internal/gram"
	"pourbook/internal/people"
	"pourbook/internal/store"
	"pourbook/static"
	"pourbook/web/page"
)

// Config is what the server is made of.
type Config struct {
	Store  *store.Store
	Bench  *bench.Bench
	Typed  bool // no scale is connected: every reading is typed
	Scales Scales
	Hand   Hand // the pretend hand, nil where no pretend scale is connected
	Notice string
	Now    func() time.Time
	Log    *slog.Logger
	Done   <-chan struct{} // closed when the server is to stop: streams end

	Open        bool     // other machines can reach it
	Hosts       []string // names under which it answers, beside addresses and localhost
	Addresses   []string // how other machines reach it: "https://192.0.2.7:8040"
	Authority   []byte   // the certificate, in PEM, by which tablets know the one that Pourbook made; nil where it made none
	Fingerprint string   // of the authority, to be compared by eye
}

// Hand works the pretend scale: what a person at a real bench does with cup, tin and wrist.
type Hand interface {
	Place(cupEmpty gram.Mass) error // an empty cup instead of what is on
	Pour(grams gram.Mass) error     // towards that many grams more
	Over(by gram.Mass) error        // the next pour goes over by this much
	Remove(grams gram.Mass) error   // takes paint out
	Lift() error                    // everything off
	Return() error                  // and back
	Zero()                          // presses tare
	Unplug()
	Plug()
}

type server struct {
	Config
	gate     *gate
	rates    rates
	hashing  chan struct{} // a place for each PIN that is being hashed
	searches searches      // for formulas, under way or done
}

// mostHashing is how many PINs are hashed at a time, 19 MiB each.
const mostHashing = 2

// New returns the handler of the whole program.
func New(c Config) http.Handler { return newServer(c).routes() }

func newServer(c Config) *server {
	return &server{
		Config: c, gate: newGate(c.Store, c.Now, c.Open), hashing: make(chan struct{}, mostHashing),
		rates: rates{buckets: map[string]people.Bucket{}, said: map[string]time.Time{}},
	}
}

const (
	cookieDevice = "pourbook_device" // tells screens apart until the shop is locked
	cookieWho    = "pourbook_who"    // so does the name that somebody said
	cookieKey    = "pourbook_key"    // lets a screen of a locked shop in
	cookieScheme = "pourbook_scheme"
)

func (s *server) chrome(r *http.Request, title string, room page.Room) page.Chrome {
	v := visitorOf(r)
	return page.Chrome{
		Title: title, Room: room, Person: v.Person, Role: v.Full, Scheme: v.Scheme, Notice: s.Notice,
		Style: static.URL("css/pourbook.css"), Icon: static.URL("css/icon.svg"),
		Scripts: []string{static.URL("js/app.js")},
	}
}

func (s *server) benchChrome(r *http.Request, title string) page.Chrome {
	c := s.chrome(r, title, page.RoomBench)
	c.AtBench = true
	c.Scripts = append(c.Scripts, static.URL("js/pour.js"), static.URL("js/sound.js"))
	return c
}

func assetURL(name string) string { return static.URL(name) }
