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
	"pourbook/internal/store"
	"pourbook/static"
	"pourbook/web/page"
)

// Config is what the server is made of.
type Config struct {
	Store  *store.Store
	Bench  *bench.Bench
	Typed  bool // no scale is connected: every reading is typed
	Hand   Hand // the pretend hand, nil where no pretend scale is connected
	Notice string
	Now    func() time.Time
	Log    *slog.Logger
	Done   <-chan struct{} // closed when the server is to stop: streams end
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
}

// New returns the handler of the whole program.
func New(c Config) http.Handler {
	s := &server{Config: c}
	return s.routes()
}

// visitor is who asks: the tablet and the person who said that they work at it.
type visitor struct {
	Device string
	Person string
	Scheme string
}

const (
	cookieDevice = "pourbook_device"
	cookieWho    = "pourbook_who"
	cookieScheme = "pourbook_scheme"
)

func (s *server) chrome(r *http.Request, title string, room page.Room) page.Chrome {
	v := visitorOf(r)
	return page.Chrome{
		Title: title, Room: room, Person: v.Person, Scheme: v.Scheme, Notice: s.Notice,
		Style: static.URL("css/pourbook.css"), Icon: static.URL("css/icon.svg"),
		Scripts: []string{static.URL("js/app.js")},
	}
}

func (s *server) benchChrome(r *http.Request, title string) page.Chrome {
	c := s.chrome(r, title, page.RoomBench)
	c.AtBench = true
	c.Scripts = append(c.Scripts, static.URL("js/pour.js"))
	return c
}

func assetURL(name string) string { return static.URL(name) }
