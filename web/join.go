package web

import (
	"crypto/rand"
	"crypto/sha256"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"
	"github.com/google/uuid"
	"rsc.io/qr"

	"pourbook/internal/people"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// A join code lives this long: enough to fetch a tablet from the next room.
const joinLife = 5 * time.Minute

// codeLetters are those of a join code: 32 that cannot be taken for each other (Crockford's base 32). Ten of them are
// 50 bits, which nobody guesses in five minutes at any rate.
const (
	codeLetters = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
	codeLength  = 10
)

// NewJoinCode returns a code that lets one device in, and what is kept of it.
func NewJoinCode() (code string, hash [sha256.Size]byte) {
	var raw [codeLength]byte
	_, _ = rand.Read(raw[:]) // never fails: crypto/rand ends the program first
	for i, b := range raw {
		raw[i] = codeLetters[b%32]
	}
	return string(raw[:]), sha256.Sum256(raw[:])
}

// codeHash reads a code as a person types it: any case, spaces and dashes, O for 0, I and L for 1.
func codeHash(typed string) [sha256.Size]byte {
	typed = strings.NewReplacer(" ", "", "-", "", "O", "0", "I", "1", "L", "1").Replace(strings.ToUpper(typed))
	return sha256.Sum256([]byte(typed))
}

// spaced makes a code readable: "ABCDE FGHJK".
func spaced(code string) string { return code[:codeLength/2] + " " + code[codeLength/2:] }

// tablets lists the screens that have joined.
func (s *server) tablets(w http.ResponseWriter, r *http.Request) error {
	v, err := s.tabletsView(r)
	if err != nil {
		return err
	}
	return render(w, r, http.StatusOK, page.TabletsPage(v))
}

func (s *server) tabletsView(r *http.Request) (page.Tablets, error) {
	v := page.Tablets{Chrome: s.chrome(r, "Tablets", page.RoomShop), Locked: visitorOf(r).Locked, Open: s.Open, Fingerprint: s.Fingerprint}
	a, err := s.Store.Access(r.Context())
	if err != nil {
		return v, err
	}
	names := map[int64]string{}
	for _, p := range a.People {
		names[p.ID] = p.Name
	}
	zone := s.Now().Location()
	for _, d := range a.Devices {
		row := page.Tablet{ID: d.ID, Name: d.Name, Joined: dayAndTime(d.JoinedAt.In(zone), s.Now()), By: d.JoinedBy, Seen: dayAndTime(d.SeenAt.In(zone), s.Now()), Person: names[d.PersonID], Here: d.ID == visitorOf(r).Device}
		if d.Dismissed {
			v.Dismissed++
			continue
		}
		v.Tablets = append(v.Tablets, row)
	}
	return v, nil
}

// tabletCode makes a code for one tablet and shows it. It stands in this answer only: what is kept cannot be read back.
func (s *server) tabletCode(w http.ResponseWriter, r *http.Request) error {
	v := visitorOf(r)
	if !v.Locked {
		return &fault{status: http.StatusConflict, sentence: "The shop is not locked yet, so there is nothing to join.", next: "Lock it with an owner's PIN first.", goTo: "/lock", label: "Lock this shop"}
	}
	base := s.reachedAt(r)
	if base == "" {
		return &fault{status: http.StatusConflict, sentence: "Pourbook listens on this machine alone, so no tablet can reach it.", next: "Stop it and start it again with: pourbook serve -open", goTo: "/tablets", label: "Tablets"}
	}
	code, hash := NewJoinCode()
	until := s.Now().Add(joinLife)
	if err := s.Store.MakeJoinCode(r.Context(), hash, v.Person, until); err != nil {
		return err
	}
	link := base + "/join/" + code
	drawn, err := qr.Encode(link, qr.M)
	if err != nil {
		return err
	}
	view := page.JoinCode{
		Chrome: s.chrome(r, "Let a tablet join", page.RoomShop), Code: spaced(code), Address: base + "/join", Modules: drawn.Size, Path: qrPath(drawn),
		Until: until.In(s.Now().Location()).Format("15:04"), Fingerprint: s.Fingerprint,
	}
	w.Header().Set("Cache-Control", "no-store")
	return render(w, r, http.StatusOK, page.JoinCodePage(view))
}

// qrPath draws the black squares of a code as one path, a row's neighbours together.
func qrPath(c *qr.Code) string {
	var b strings.Builder
	for y := range c.Size {
		for x := 0; x < c.Size; x++ {
			from := x
			for x < c.Size && c.Black(x, y) {
				x++
			}
			if x > from {
				b.WriteString("M" + itoa(from) + " " + itoa(y) + "h" + itoa(x-from) + "v1h-" + itoa(x-from) + "z")
			}
		}
	}
	return b.String()
}

// reachedAt returns the start of the addresses under which another device finds this program, "" where none can.
func (s *server) reachedAt(r *http.Request) string {
	if !s.Open {
		return ""
	}
	scheme := "http://"
	if r.TLS != nil {
		scheme = "https://"
	}
	if host := hostOf(r); host != "localhost" && !isLoopback(host) {
		return scheme + r.Host // as the owner's screen found it
	}
	if len(s.Addresses) > 0 {
		return s.Addresses[0]
	}
	return ""
}

func hostOf(r *http.Request) string {
	host := r.Host
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	return strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
}

func isLoopback(host string) bool {
	addr, err := netip.ParseAddr(host)
	return err == nil && addr.Unmap().IsLoopback()
}

// tabletDismiss sends a screen away.
func (s *server) tabletDismiss(w http.ResponseWriter, r *http.Request) error {
	id := chi.URLParam(r, "tablet")
	if err := s.Store.Dismiss(r.Context(), id); err != nil {
		return err
	}
	s.gate.forget()
	s.Log.Info("screen dismissed", "device", id, "by", visitorOf(r).Person)
	http.Redirect(w, r, "/tablets", http.StatusSeeOther)
	return nil
}

// joinForm is what a tablet shows that has scanned a code, or that has none yet. Opening it spends nothing: whatever
// looks at a link in advance must not use it up.
func (s *server) joinForm(w http.ResponseWriter, r *http.Request) error {
	return render(w, r, http.StatusOK, page.JoinPage(s.joinView(r, chi.URLParam(r, "code"), "")))
}

func (s *server) joinView(r *http.Request, code, name string) page.Join {
	v := visitorOf(r)
	return page.Join{Chrome: s.chrome(r, "Join the shop", page.Room{}), Code: code, Name: name, Joined: v.Locked && v.Joined, Locked: v.Locked, Authority: len(s.Authority) > 0, AtMachine: v.AtMachine}
}

// joinSend spends a code and lets this browser in.
func (s *server) joinSend(w http.ResponseWriter, r *http.Request) error {
	v := visitorOf(r)
	if !v.Locked || v.Joined {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return nil
	}
	refuse := func(status int, field, sentence string) error {
		view := s.joinView(r, r.PostFormValue("code"), r.PostFormValue("name"))
		view.Problems = map[string]string{field: sentence}
		return render(w, r, status, page.JoinPage(view))
	}
	trying := []store.Trying{{Subject: "address " + addressOf(r), Limit: people.TriesPerDevice}}
	name := strings.Join(strings.Fields(r.PostFormValue("name")), " ")
	if name == "" || len([]rune(name)) > 60 {
		return refuse(http.StatusUnprocessableEntity, "name", "Give this screen a name of 1 to 60 letters, so that it can be told from the others.")
	}
	wait, err := s.Store.Charge(r.Context(), trying)
	if err != nil {
		return err
	}
	if wait > 0 {
		s.Log.Warn("join code not tried: too many wrong ones", "address", addressOf(r), "wait", wait)
		return refuse(http.StatusTooManyRequests, "code", "Too many wrong codes. Wait "+people.Spell(wait)+", then try again.")
	}
	key, hash := newKey()
	d := store.Device{ID: uuid.NewString(), Name: name, KeyHash: hash}
	if err := s.Store.Join(r.Context(), codeHash(r.PostFormValue("code")), d); err != nil {
		if f := faultOf(err); f.status == http.StatusNotFound {
			s.Log.Warn("wrong join code", "address", addressOf(r))
			return refuse(http.StatusUnprocessableEntity, "code", store.Sentence(err))
		}
		return err
	}
	if err := s.Store.Forgive(r.Context(), trying); err != nil {
		return err
	}
	s.gate.forget()
	setCookie(w, r, cookieKey, key)
	s.Log.Info("screen joined", "device", d.ID, "name", name)
	http.Redirect(w, r, "/who", http.StatusSeeOther)
	return nil
}

// authority hands out the certificate by which tablets can know this shop's own.
func (s *server) authority(w http.ResponseWriter, _ *http.Request) error {
	if len(s.Authority) == 0 {
		return notFound("certificate made by Pourbook")
	}
	w.Header().Set("Content-Type", "application/x-x509-ca-cert")
	w.Header().Set("Content-Disposition", `attachment; filename="pourbook-authority.crt"`)
	_, err := w.Write(s.Authority)
	return err
}
