package web

import (
	"mime"
	"net/http"
	"strconv"

	"github.com/google/uuid"

	"pourbook/internal/pour"
)

func formInt(r *http.Request, name string) int {
	n, err := strconv.Atoi(r.PostForm.Get(name))
	if err != nil {
		return -1 // no sequence, epoch or step is below zero: the cup refuses it as stale
	}
	return n
}

// tapID returns the name that the tablet gave its tap, so that a tap sent twice is booked once. A plain form has none.
func tapID(r *http.Request) string {
	if id := r.PostForm.Get("id"); id != "" && len(id) <= 64 {
		return id
	}
	return uuid.NewString()
}

func isUpload(r *http.Request) bool {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	return err == nil && kind == "multipart/form-data"
}

func chosenCup(cups []pour.Cup, name string, otherwise pour.Cup) pour.Cup {
	for _, c := range cups {
		if c.Name == name {
			return c
		}
	}
	return otherwise
}
