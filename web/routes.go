package web

import (
	"net/http"

	"github.com/go-chi/chi/v5"
	"github.com/go-chi/chi/v5/middleware"

	"pourbook/static"
)

// The most that a request may carry: a page's form, and a photo or a book of formulas.
const (
	formLimit   = 2 << 20
	uploadLimit = 24 << 20
)

// routes lists every address of the program, in the order of the screens.
func (s *server) routes() http.Handler {
	r := chi.NewRouter()
	r.Use(middleware.RequestID, middleware.Recoverer, s.guard, s.known)
	r.Handle(static.Prefix+"*", static.Handler())

	r.Group(func(r chi.Router) { // streams, and taps whose answers are too small to be worth compressing
		r.Get("/batch/{batch}/stream", s.page(s.stream))
		r.Post("/batch/{batch}/tap", s.page(s.tap))
		r.Post("/batch/{batch}/bring", s.page(s.bring))
		r.Post("/batch/{batch}/wait", s.page(s.wait))
		r.Post("/batch/{batch}/pretend", s.page(s.pretend))
	})

	r.Group(func(r chi.Router) {
		r.Use(middleware.Compress(5))

		// Bench
		r.Get("/", s.page(s.benchHome))
		r.Get("/who", s.page(s.whoForm))
		r.Post("/who", s.page(s.whoSave))
		r.Get("/mix/{formula}", s.page(s.mixForm))
		r.Post("/mix/{formula}", s.page(s.mixStart))
		r.Get("/batch/{batch}", s.page(s.batchPage))
		r.Get("/batch/{batch}/other", s.page(s.otherForm))
		r.Get("/batch/{batch}/wrong", s.page(s.wrongForm))
		r.Get("/batch/{batch}/draw", s.page(s.drawForm))
		r.Get("/batch/{batch}/tint", s.page(s.tintForm))
		r.Get("/batch/{batch}/reduce", s.page(s.reduceForm))
		r.Post("/batch/{batch}/reduce", s.page(s.reduceStart))
		r.Get("/batch/{batch}/finish", s.page(s.finishForm))
		r.Get("/batch/{batch}/give-up", s.page(s.giveUpForm))

		// Book
		s.bookRoutes(r)

		// Cards
		s.cardRoutes(r)

		// Records
		r.Get("/records", s.page(s.records))

		// Shop
		r.Get("/shop", s.page(s.shopPage))
		r.Post("/shop", s.page(s.shopSave))

		// Calculators
		r.Post("/api/calc/{name}", s.page(s.calculate))
	})
	r.NotFound(s.page(func(http.ResponseWriter, *http.Request) error { return notFound("page") }))
	return r
}

// guard refuses cross-origin posts, limits what a request may carry and tells the browser what a page may do.
func (s *server) guard(next http.Handler) http.Handler {
	protection := http.NewCrossOriginProtection()
	return protection.Handler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'self'; img-src 'self' blob:; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		limit := int64(formLimit)
		if r.Header.Get("Content-Type") != "" && isUpload(r) {
			limit = uploadLimit
		}
		r.Body = http.MaxBytesReader(w, r.Body, limit)
		next.ServeHTTP(w, r)
	}))
}
