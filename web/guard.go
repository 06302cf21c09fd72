package web

import (
	"log/slog"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"time"

	"pourbook/internal/people"
)

// The most that a request may carry: a page's form, and a photo or a book of formulas.
const (
	formLimit   = 2 << 20
	uploadLimit = 24 << 20
)

// contentPolicy lets a page load what this program serves and nothing else; no script or style stands in the markup.
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; img-src 'self' blob:; connect-src 'self'; " +
	"object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

// guard refuses what no honest page of this program sends, before anything is looked up: requests under a name that is not
// ours, posts from other sites, and more than a page takes. It tells the browser what a page may do.
func (s *server) guard(next http.Handler) http.Handler {
	protection := http.NewCrossOriginProtection()
	protection.SetDenyHandler(s.page(func(http.ResponseWriter, *http.Request) error {
		return &fault{status: http.StatusForbidden, sentence: "That came from another site, so it was not done.", next: "Open Pourbook's own page and do it there."}
	}))
	inner := protection.Handler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		limit := int64(formLimit)
		if isUpload(r) {
			limit = uploadLimit
		}
		if r.ContentLength > limit {
			w.Header().Set("Connection", "close") // the rest is not read
			s.page(func(http.ResponseWriter, *http.Request) error { return &http.MaxBytesError{Limit: limit} })(w, r)
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, limit)
		next.ServeHTTP(w, r)
	}))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		if !s.ours(r) {
			s.page(func(http.ResponseWriter, *http.Request) error {
				return &fault{status: http.StatusMisdirectedRequest, sentence: "Pourbook does not answer under this name.", next: "Use its address in numbers, or start it with -host and the name."}
			})(w, r)
			return
		}
		inner.ServeHTTP(w, r)
	})
}

// ours reports whether a request names this program's machine: by an address, as localhost, or by a name that the owner
// gave. Another site can make its own name point here, but it cannot make a browser say one of these.
func (s *server) ours(r *http.Request) bool {
	host := hostOf(r)
	if host == "localhost" || slices.ContainsFunc(s.Hosts, func(name string) bool { return strings.EqualFold(strings.TrimSuffix(name, "."), host) }) {
		return true
	}
	_, err := netip.ParseAddr(host)
	return err == nil
}

// What may come from one screen of a locked shop, or from one address that has not joined, in a row. A hand taps less;
// the streams of a cup count once.
var (
	postRate   = people.Rate{Burst: 100, PerSecond: 10}
	uploadRate = people.Rate{Burst: 10, PerSecond: 0.2}
	getRate    = people.Rate{Burst: 300, PerSecond: 30}
)

// rates remembers how much came from whom, of a bounded number of them.
type rates struct {
	mu      sync.Mutex
	buckets map[string]people.Bucket
	said    map[string]time.Time // whose refusals were logged, and when
}

const mostBuckets = 4096

func (l *rates) take(key string, rate people.Rate, now time.Time, log *slog.Logger) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if _, known := l.buckets[key]; !known && len(l.buckets) >= mostBuckets {
		for k, b := range l.buckets {
			if getRate.Full(b, now) && postRate.Full(b, now) && uploadRate.Full(b, now) {
				delete(l.buckets, k)
			}
		}
		if len(l.buckets) >= mostBuckets {
			key = "everybody else"
		}
	}
	b, ok := rate.Take(l.buckets[key], now)
	l.buckets[key] = b
	if !ok {
		if len(l.said) >= mostBuckets {
			clear(l.said)
		}
		if last, said := l.said[key]; !said || now.Sub(last) >= time.Minute {
			l.said[key] = now
			log.Warn("too many requests", "from", key)
		}
	}
	return ok
}

// limited slows down whoever sends more than a hand can. A shop that is not locked is open to this machine alone, where
// nothing is gained by it.
func (s *server) limited(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v := visitorOf(r)
		if !v.Locked {
			next.ServeHTTP(w, r)
			return
		}
		from := "device " + v.Device
		if !v.Joined {
			from = "address " + addressOf(r)
		}
		kind, rate := " get", getRate
		switch {
		case isUpload(r):
			kind, rate = " upload", uploadRate
		case r.Method != http.MethodGet && r.Method != http.MethodHead:
			kind, rate = " post", postRate
		}
		if !s.rates.take(from+kind, rate, s.Now(), s.Log) {
			w.Header().Set("Retry-After", "10")
			f := &fault{status: http.StatusTooManyRequests, sentence: "That is more than this screen can send at a time.", next: "Wait ten seconds, then do it again. Nothing was changed."}
			s.answer(w, r, f)
			return
		}
		next.ServeHTTP(w, r)
	})
}
