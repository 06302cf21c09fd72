package web

import (
	"context"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"time"

	"github.com/google/uuid"

	"pourbook/internal/people"
)

// visitor is who asks: the screen, and the person who works at it.
type visitor struct {
	Device string
	Person string
	Scheme string

	Locked    bool        // the shop's rules hold
	Joined    bool        // the screen has joined the shop
	AtMachine bool        // the request comes from the machine that Pourbook runs on, through no other program
	PersonID  int64       // 0 where nobody is signed in
	Role      people.Role // what they may do now
	Full      people.Role // what they may do once their PIN is fresh
}

// outside reports whether a screen has to join before anything else: it is neither one of a locked shop nor the machine.
func (v visitor) outside() bool { return v.Locked && !v.Joined && !v.AtMachine }

type visitorKey struct{}

// visitorOf returns who asks. The middleware known puts it there.
func visitorOf(r *http.Request) visitor {
	v, _ := r.Context().Value(visitorKey{}).(visitor)
	return v
}

// known finds out who asks. Until the shop is locked every browser is taken at its word, as long as it names a device of
// its own, so that two tablets are told apart; afterwards a screen is known by its key alone.
func (s *server) known(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v := visitor{Device: cookie(r, cookieDevice), Person: cookie(r, cookieWho), Scheme: cookie(r, cookieScheme), AtMachine: atMachine(r)}
		if _, err := uuid.Parse(v.Device); err != nil {
			v.Device = uuid.NewString()
			setCookie(w, r, cookieDevice, v.Device)
		}
		v, err := s.gate.visitor(r, v)
		if err != nil {
			s.page(func(http.ResponseWriter, *http.Request) error { return err })(w, r)
			return
		}
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), visitorKey{}, v)))
	})
}

// atMachine reports whether a request comes from this machine itself. One that another program passed on does not count.
func atMachine(r *http.Request) bool {
	for _, passedOn := range []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-Ip", "Via"} {
		if r.Header.Get(passedOn) != "" {
			return false
		}
	}
	addr, err := netip.ParseAddrPort(r.RemoteAddr)
	return err == nil && addr.Addr().Unmap().IsLoopback()
}

// addressOf returns where a request comes from, as far as it counts: of an IPv6 address the network, since a single
// device has all the addresses in it.
func addressOf(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return "unknown"
	}
	addr, err := netip.ParseAddr(host)
	if err != nil {
		return "unknown"
	}
	addr = addr.Unmap().WithZone("")
	if addr.Is6() && !addr.IsLoopback() {
		if network, err := addr.Prefix(64); err == nil {
			return network.String()
		}
	}
	return addr.String()
}

func cookie(r *http.Request, name string) string {
	c, err := r.Cookie(name)
	if err != nil {
		return ""
	}
	value, err := url.QueryUnescape(c.Value)
	if err != nil {
		return ""
	}
	return value
}

func setCookie(w http.ResponseWriter, r *http.Request, name, value string) {
	http.SetCookie(w, &http.Cookie{
		Name: name, Value: url.QueryEscape(value), Path: "/", HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode,
		MaxAge: int((400 * 24 * time.Hour).Seconds()),
	})
}
