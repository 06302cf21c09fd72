package web

import (
	"context"
	"net/http"
	"net/url"
	"time"

	"github.com/google/uuid"
)

type visitorKey struct{}

// visitorOf returns who asks. The middleware known puts it there.
func visitorOf(r *http.Request) visitor {
	v, _ := r.Context().Value(visitorKey{}).(visitor)
	return v
}

// known gives every browser a device name of its own, so that two tablets are told apart.
func (s *server) known(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v := visitor{Device: cookie(r, cookieDevice), Person: cookie(r, cookieWho), Scheme: cookie(r, cookieScheme)}
		if _, err := uuid.Parse(v.Device); err != nil {
			v.Device = uuid.NewString()
			setCookie(w, cookieDevice, v.Device)
		}
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), visitorKey{}, v)))
	})
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

func setCookie(w http.ResponseWriter, name, value string) {
	http.SetCookie(w, &http.Cookie{
		Name: name, Value: url.QueryEscape(value), Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode,
		MaxAge: int((400 * 24 * time.Hour).Seconds()),
	})
}
