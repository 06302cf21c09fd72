package web

import (
	"net/http"

	"github.com/go-chi/chi/v5"
	"github.com/go-chi/chi/v5/middleware"

	"pourbook/static"
)

// routes lists every address of the program, in the order of the screens. Whom a locked shop lets in where is in least.go.
func (s *server) routes() chi.Router {
	r := chi.NewRouter()
	r.Use(middleware.RequestID, middleware.Recoverer, s.guard, s.known, s.limited)
	r.Handle(static.Prefix+"*", static.Handler())

	r.Group(func(r chi.Router) { // streams, and taps whose answers are too small to be worth compressing
		r.Use(s.admit)
		r.Get("/batch/{batch}/stream", s.page(s.stream))
		r.Post("/batch/{batch}/tap", s.page(s.tap))
		r.Post("/batch/{batch}/bring", s.page(s.bring))
		r.Post("/batch/{batch}/wait", s.page(s.wait))
		r.Post("/batch/{batch}/pretend", s.page(s.pretend))
		r.Get("/match/{search}/stream", s.page(s.matchStream))
	})

	r.Group(func(r chi.Router) {
		r.Use(s.admit, middleware.Compress(5))

		// Coming in
		r.Get("/who", s.page(s.whoForm))
		r.Post("/who", s.page(s.whoSave))
		r.Get("/who/{person}", s.page(s.pinForm))
		r.Post("/who/{person}", s.page(s.pinSend))
		r.Get("/pin", s.page(s.ownPINForm))
		r.Post("/pin", s.page(s.ownPINSave))
		r.Post("/leave", s.page(s.leave))
		r.Get("/join", s.page(s.joinForm))
		r.Get("/join/{code}", s.page(s.joinForm))
		r.Post("/join", s.page(s.joinSend))
		r.Get("/authority.crt", s.page(s.authority))
		r.Post("/scheme", s.page(s.schemeSave))

		// Bench
		r.Get("/", s.page(s.benchHome))
		r.Get("/mix/{formula}", s.page(s.mixForm))
		r.Post("/mix/{formula}", s.page(s.mixStart))
		r.Get("/batch/{batch}", s.page(s.batchPage))
		r.Get("/batch/{batch}/other", s.page(s.otherForm))
		r.Get("/batch/{batch}/wrong", s.page(s.wrongForm))
		r.Get("/batch/{batch}/moved", s.page(s.movedForm))
		r.Get("/batch/{batch}/draw", s.page(s.drawForm))
		r.Get("/batch/{batch}/tint", s.page(s.tintForm))
		r.Get("/batch/{batch}/reduce", s.page(s.reduceForm))
		r.Post("/batch/{batch}/reduce", s.page(s.reduceStart))
		r.Get("/batch/{batch}/finish", s.page(s.finishForm))
		r.Get("/batch/{batch}/give-up", s.page(s.giveUpForm))

		// Book
		s.bookRoutes(r)
		s.matchRoutes(r)

		// Cards
		s.cardRoutes(r)

		// Records
		r.Get("/records", s.page(s.records))

		// Shop
		r.Get("/shop", s.page(s.shopPage))
		r.Post("/shop", s.page(s.shopSave))
		r.Get("/scale", s.page(s.scalePage))
		r.Post("/scale", s.page(s.scaleSave))
		r.Get("/scale/now", s.page(s.scaleNow))
		r.Post("/scale/check", s.page(s.scaleCheck))
		r.Get("/lock", s.page(s.lockForm))
		r.Post("/lock", s.page(s.lock))
		r.Get("/people", s.page(s.peopleList))
		r.Post("/people", s.page(s.personAdd))
		r.Get("/people/{person}", s.page(s.personPage))
		r.Post("/people/{person}", s.page(s.personSave))
		r.Get("/tablets", s.page(s.tablets))
		r.Post("/tablets/code", s.page(s.tabletCode))
		r.Post("/tablets/{tablet}/dismiss", s.page(s.tabletDismiss))

		// Calculators
		r.Post("/api/calc/{name}", s.page(s.calculate))
	})
	r.NotFound(s.page(func(http.ResponseWriter, *http.Request) error { return notFound("page") }))
	return r
}
