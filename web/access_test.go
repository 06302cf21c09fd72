package web

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-chi/chi/v5"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"rsc.io/qr"

	"pourbook/internal/bench"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/people"
	"pourbook/internal/scale"
	"pourbook/internal/store"
)

// lockedShop is a shop with an owner, a painter and a mixer, whose clock the test sets.
type lockedShop struct {
	*bookShop
	now *time.Time
	log *bytes.Buffer
	web *server
}

var pins = map[string]string{"Ann": "471109", "Bea": "2718", "Cem": "1414"}

// screen is one browser with the cookies that it was given.
type screen struct {
	shop    *lockedShop
	cookies map[string]string
	from    string // its address
}

// lockBook makes a shop as its people would: the owner locks it at the machine, then puts the others on the list.
func lockBook(t *testing.T) (*lockedShop, *screen) {
	t.Helper()
	return lockBookWith(t, scale.NewKeypad(gram.Balance{Division: 100 * gram.Milligram}), true)
}

func lockBookWith(t *testing.T, device scale.Scale, typed bool) (*lockedShop, *screen) {
	t.Helper()
	now := shopTime
	clock := func() time.Time { return now }
	book, err := store.Open(filepath.Join(t.TempDir(), "book.db"), store.WithClock(clock))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, book.Close()) })
	var log bytes.Buffer
	logger := slog.New(slog.NewTextHandler(&log, nil))
	t.Cleanup(func() { require.NoError(t, device.Close()) })
	config := Config{
		Store: book, Bench: bench.New("bench", device, book, clock, logger), Typed: typed, Now: clock, Log: logger,
		Open: true, Addresses: []string{"https://192.168.7.2:8040"},
	}
	s := &lockedShop{now: &now, log: &log, web: newServer(config)}
	s.bookShop = &bookShop{t: t, store: book, handler: s.web.routes()}
	owner := s.screen("127.0.0.1")
	r := owner.post("/lock", url.Values{"name": {"Ann"}, "pin": {pins["Ann"]}, "again": {pins["Ann"]}})
	require.Equal(t, http.StatusSeeOther, r.Code, r.says())
	for name, role := range map[string]string{"Bea": "painter", "Cem": "mixer"} {
		r := owner.post("/people", url.Values{"name": {name}, "role": {role}, "pin": {pins[name]}, "again": {pins[name]}})
		require.Equal(t, http.StatusSeeOther, r.Code, r.says())
	}
	return s, owner
}

func (s *lockedShop) screen(from string) *screen {
	return &screen{shop: s, cookies: map[string]string{}, from: from}
}

func (b *screen) send(method, path, body, kind string) reply {
	b.shop.t.Helper()
	req := httptest.NewRequest(method, "https://127.0.0.1:8040"+path, strings.NewReader(body))
	req.RemoteAddr = b.from + ":40000"
	if strings.Contains(b.from, ":") {
		req.RemoteAddr = "[" + b.from + "]:40000"
	}
	if kind != "" {
		req.Header.Set("Content-Type", kind)
	}
	for name, value := range b.cookies {
		req.AddCookie(&http.Cookie{Name: name, Value: value})
	}
	r := b.shop.do(req)
	for _, c := range r.Result().Cookies() {
		b.cookies[c.Name] = c.Value
		assert.True(b.shop.t, c.HttpOnly && c.Secure && c.SameSite == http.SameSiteStrictMode, "cookie %s", c.Name)
	}
	return r
}

func (b *screen) get(path string) reply { return b.send(http.MethodGet, path, "", "") }

func (b *screen) post(path string, form url.Values) reply {
	return b.send(http.MethodPost, path, form.Encode(), "application/x-www-form-urlencoded")
}

var codeOnScreen = regexp.MustCompile(`class="join-letters">([0-9A-Z ]+)<`)

// code makes a join code on the owner's screen and reads it there.
func (b *screen) code() string {
	b.shop.t.Helper()
	r := b.post("/tablets/code", nil)
	require.Equal(b.shop.t, http.StatusOK, r.Code, r.says())
	m := codeOnScreen.FindStringSubmatch(r.page)
	require.NotNil(b.shop.t, m, r.page)
	return m[1]
}

// join lets a new screen in with a code of the owner.
func (s *lockedShop) join(owner *screen, from string) *screen {
	s.t.Helper()
	tablet := s.screen(from)
	r := tablet.post("/join", url.Values{"code": {owner.code()}, "name": {"Tablet at " + from}})
	require.Equal(s.t, http.StatusSeeOther, r.Code, r.says())
	return tablet
}

func (s *lockedShop) id(name string) string {
	s.t.Helper()
	all, err := s.store.People(s.t.Context())
	require.NoError(s.t, err)
	for _, p := range all {
		if p.Name == name {
			return strconv.FormatInt(p.ID, 10)
		}
	}
	s.t.Fatalf("no %s", name)
	return ""
}

func (b *screen) signIn(name, pin string) reply {
	b.shop.t.Helper()
	return b.post("/who/"+b.shop.id(name), url.Values{"pin": {pin}})
}

func (b *screen) as(name string) *screen {
	b.shop.t.Helper()
	r := b.signIn(name, pins[name])
	require.Equal(b.shop.t, http.StatusSeeOther, r.Code, r.says())
	return b
}

// letIn reports whether a request came through to its handler: it was not turned away at the door.
func letIn(r reply) bool {
	switch {
	case r.Code == http.StatusUnauthorized, r.Code == http.StatusForbidden:
		return false
	case r.Code == http.StatusSeeOther:
		place := r.Header().Get("Location")
		return place != "/join" && !strings.HasPrefix(place, "/who?back=") && !strings.HasPrefix(place, "/who/")
	}
	return true
}

// Every route that is listed is walked as every role and as nobody. What each may is written down here once more, by the
// words of the job and not by the table: mixers pour and look up; painters also log cards and make variants; owners do the rest.
func TestEveryRouteAsEveryRole(t *testing.T) {
	s, owner := lockBook(t)
	stranger := s.screen("192.168.7.50") // has not joined
	visitors := map[string]func() *screen{}
	roles := map[string]people.Role{"stranger": people.Nobody, "joined, nobody": people.Nobody, "Cem": people.Mixer, "Bea": people.Painter, "Ann": people.Owner}
	visitors["stranger"] = func() *screen { return stranger }
	for i, name := range []string{"joined, nobody", "Cem", "Bea", "Ann"} {
		b := s.join(owner, fmt.Sprintf("192.168.7.%d", 10+i))
		visitors[name] = func() *screen {
			*s.now = s.now.Add(20 * time.Second) // so that no rate is in the way
			if roles[name] != people.Nobody && b.get("/records").Code != http.StatusOK {
				b.as(name) // at first, and after walking has signed out
			}
			return b
		}
	}
	anybody := regexp.MustCompile(`^(GET|POST) /who|^POST /leave$|^(GET|POST) /join|^GET /authority\.crt$|^POST /scheme$`)
	painter := regexp.MustCompile(`/variant$|^(GET|POST) /batch/\{batch\}/card$|^(GET|POST) /card/\{id\}/edit$|^POST /book/check$|^POST /match`)
	mixerPost := regexp.MustCompile(`^POST (/batch/\{batch\}/(tap|bring|wait|pretend|reduce)|/mix/\{formula\}|/pin|/api/calc/\{name\}|/scale/check)$`)
	ownerGet := regexp.MustCompile(`^GET (/book/(new|import|export\.csv)|/formula/\{formula\}/(revise|edit|export\.csv)|/match/\{search\}/keep|/shelf/(import|new|export\.csv)|/lock|/people.*|/tablets.*)$`)
	expected := func(route string) people.Role {
		switch {
		case anybody.MatchString(route):
			return people.Nobody
		case painter.MatchString(route):
			return people.Painter
		case mixerPost.MatchString(route):
			return people.Mixer
		case strings.HasPrefix(route, "POST "), ownerGet.MatchString(route):
			return people.Owner
		}
		return people.Mixer
	}

	walked := map[string]bool{}
	err := chi.Walk(s.web.routes(), func(method, pattern string, _ http.Handler, _ ...func(http.Handler) http.Handler) error {
		if strings.HasPrefix(pattern, "/static/") {
			return nil
		}
		route := method + " " + pattern
		walked[route] = true
		least, declared := leastRole[route]
		assert.True(t, declared, "%s has no line in least.go: say who may use it", route)
		assert.Equal(t, expected(route), least, "%s", route)
		path := regexp.MustCompile(`\{[^}]*\}`).ReplaceAllString(pattern, "999999") // what no shop has: only the door is tried
		for name, role := range roles {
			var r reply
			b := visitors[name]()
			if method == http.MethodGet {
				r = b.get(path)
			} else {
				r = b.post(path, url.Values{"back": {"/"}})
			}
			switch {
			case anybody.MatchString(route): // has its own rules, tested below
				assert.Less(t, r.Code, 500, "%s as %s", route, name)
			case role.May(expected(route)):
				assert.True(t, letIn(r) && r.Code < 500, "%s as %s: %d to %q", route, name, r.Code, r.Header().Get("Location"))
			default:
				assert.False(t, letIn(r), "%s as %s: %d to %q", route, name, r.Code, r.Header().Get("Location"))
				if r.Code != http.StatusSeeOther {
					assert.Regexp(t, `has not joined the shop\.|Nobody has said so|This is for (painters|owners)`, r.says(), route)
				}
			}
		}
		return nil
	})
	require.NoError(t, err)
	for route := range leastRole {
		assert.True(t, walked[route], "%s is in least.go, but no such route is there", route)
	}
	assert.Greater(t, len(walked), 60)
	events, err := s.store.Batches(t.Context(), store.BatchFilter{Limit: 10})
	require.NoError(t, err)
	assert.Empty(t, events, "nothing was mixed by walking")
}

// Until an owner has a PIN everything is as on a single machine; with one the rules hold at once, also for whoever locked it.
func TestLockingTheShop(t *testing.T) {
	s := stocked(t)
	assert.Equal(t, http.StatusOK, s.get("/people").Code)
	for _, bad := range []url.Values{
		{"name": {""}, "pin": {"471109"}, "again": {"471109"}},
		{"name": {"Ann"}},
		{"name": {"Ann"}, "pin": {"4711"}, "again": {"4711"}},
		{"name": {"Ann"}, "pin": {"471109"}, "again": {"471108"}},
		{"name": {"Ann"}, "pin": {"123456"}, "again": {"123456"}},
	} {
		r := s.post("/lock", bad)
		assert.Equal(t, http.StatusUnprocessableEntity, r.Code, bad)
		assert.Contains(t, r.page, `class="problem"`)
		assert.NotContains(t, r.page, "471109", "a PIN is never sent back")
	}
	require.Equal(t, http.StatusOK, s.get("/people").Code, "nothing is locked by a slip")

	locked, owner := lockBook(t)
	assert.Equal(t, http.StatusOK, owner.get("/people").Code)
	assert.Equal(t, http.StatusConflict, owner.post("/lock", url.Values{"name": {"Eve"}, "pin": {"471109"}, "again": {"471109"}}).Code)
	assert.Equal(t, "/join", locked.screen("192.168.7.9").get("/people").Header().Get("Location"))
}

func TestTabletJoinsOnceAndIsDismissed(t *testing.T) {
	s, owner := lockBook(t)
	page := owner.post("/tablets/code", nil)
	assert.Contains(t, page.page, `<path d="M0 0h7v1h-7z`, "the code to scan: its first row begins with the corner's seven squares")
	assert.Contains(t, page.says(), "https://192.168.7.2:8040/join")
	assert.Equal(t, "no-store", page.Header().Get("Cache-Control"))

	code := owner.code()
	tablet, second := s.screen("192.168.7.20"), s.screen("192.168.7.21")
	assert.Equal(t, "/join", tablet.get("/").Header().Get("Location"))
	for range 3 { // looking at the link spends nothing
		assert.Contains(t, tablet.get("/join/"+strings.ReplaceAll(code, " ", "")).page, `value="`+strings.ReplaceAll(code, " ", "")+`"`)
	}
	r := tablet.post("/join", url.Values{"code": {code}})
	assert.Equal(t, http.StatusUnprocessableEntity, r.Code, "a screen has a name")
	typed := strings.ToLower(strings.ReplaceAll(strings.ReplaceAll(code, "0", "o"), " ", "-")) // as a person types it
	r = tablet.post("/join", url.Values{"code": {typed}, "name": {"Bench"}})
	require.Equal(t, http.StatusSeeOther, r.Code, r.says())
	r = second.post("/join", url.Values{"code": {code}, "name": {"Thief"}})
	assert.Equal(t, http.StatusUnprocessableEntity, r.Code)
	assert.Contains(t, r.says(), "That code has been used or has run out.")
	assert.Equal(t, "/who?back=%2F", tablet.get("/").Header().Get("Location"))
	assert.Equal(t, "/join", second.get("/").Header().Get("Location"))

	late := owner.code()
	*s.now = s.now.Add(joinLife)
	assert.Equal(t, http.StatusUnprocessableEntity, second.post("/join", url.Values{"code": {late}, "name": {"Late"}}).Code)

	tablet.as("Cem")
	assert.Equal(t, http.StatusOK, tablet.get("/").Code)
	a, err := s.store.Access(t.Context())
	require.NoError(t, err)
	var id string
	for _, d := range a.Devices {
		assert.NotContains(t, fmt.Sprintf("%x", d.KeyHash), tablet.cookies[cookieKey])
		if d.Name == "Bench" {
			id = d.ID
			assert.Equal(t, sha256.Sum256([]byte(tablet.cookies[cookieKey])), d.KeyHash)
		}
	}
	require.Equal(t, http.StatusSeeOther, owner.as("Ann").post("/tablets/"+id+"/dismiss", nil).Code)
	assert.Equal(t, "/join", tablet.get("/").Header().Get("Location"), "from the next request on")
	assert.Equal(t, http.StatusUnauthorized, tablet.post("/batch/x/tap", nil).Code)
	assert.Equal(t, http.StatusUnauthorized, tablet.signIn("Cem", pins["Cem"]).Code)
	assert.Equal(t, http.StatusNotFound, owner.post("/tablets/nowhere/dismiss", nil).Code)
}

// What is drawn is the code, square by square.
func TestCodeIsDrawnSquareBySquare(t *testing.T) {
	c, err := qr.Encode("https://192.168.7.2:8040/join/ABCDE12345", qr.M)
	require.NoError(t, err)
	drawn := map[[2]int]bool{}
	for _, m := range regexp.MustCompile(`M(\d+) (\d+)h(\d+)v1h-(\d+)z`).FindAllStringSubmatch(qrPath(c), -1) {
		var n [4]int
		for i := range n {
			n[i], err = strconv.Atoi(m[i+1])
			require.NoError(t, err)
		}
		require.Equal(t, n[2], n[3], "a bar is closed")
		for x := range n[2] {
			drawn[[2]int{n[0] + x, n[1]}] = true
		}
	}
	for y := -1; y <= c.Size; y++ {
		for x := -1; x <= c.Size; x++ {
			assert.Equal(t, c.Black(x, y), drawn[[2]int{x, y}], "%d, %d", x, y)
		}
	}
}

// The key alone says which screen asks: no other cookie of another screen, forged or copied, is believed.
func TestForgedCookiesAreNotBelieved(t *testing.T) {
	s, owner := lockBook(t)
	a, err := s.store.Access(t.Context())
	require.NoError(t, err)
	thief := s.screen("192.168.7.66")
	for _, cookies := range []map[string]string{
		{cookieDevice: a.Devices[0].ID, cookieWho: "Ann"},
		{cookieKey: a.Devices[0].ID},
		{cookieKey: fmt.Sprintf("%x", a.Devices[0].KeyHash)},
		{cookieKey: ""},
		{cookieKey: owner.cookies[cookieKey][:42]},
		{cookieKey: owner.cookies[cookieKey] + "A"},
		{cookieKey: strings.Repeat("A", 20_000)},
	} {
		thief.cookies = cookies
		assert.Equal(t, "/join", thief.get("/people").Header().Get("Location"))
	}
	// A tap from one screen under another one's name carries its own.
	tablet := s.join(owner, "192.168.7.20").as("Cem")
	tablet.cookies[cookieDevice] = a.Devices[0].ID
	tablet.cookies[cookieWho] = "Ann"
	assert.Equal(t, http.StatusForbidden, tablet.post("/people", nil).Code)
	assert.Contains(t, tablet.get("/").page, "Cem")
}

func TestQuickSwitchIsTwoTaps(t *testing.T) {
	s, owner := lockBook(t)
	tablet := s.join(owner, "192.168.7.20")
	assert.Equal(t, http.StatusUnauthorized, tablet.post("/who", url.Values{"name": {"Cem"}}).Code, "never without a PIN first")
	tablet.as("Cem").as("Bea").as("Ann")
	assert.Equal(t, http.StatusOK, tablet.get("/people").Code)

	assert.Contains(t, tablet.get("/").page, `href="/who"`)                     // the first tap
	r := tablet.post("/who", url.Values{"name": {"Cem"}, "back": {"/records"}}) // the second
	require.Equal(t, "/records", r.Header().Get("Location"))
	assert.Equal(t, http.StatusForbidden, tablet.post("/people", nil).Code, "Cem is a mixer")

	require.Equal(t, http.StatusSeeOther, tablet.post("/who", url.Values{"name": {"Ann"}}).Code)
	assert.Equal(t, http.StatusOK, tablet.get("/records").Code)
	assert.Equal(t, "/who/"+s.id("Ann")+"?back=%2Fpeople", tablet.get("/people").Header().Get("Location"), "an owner's rights take the PIN again")
	r = tablet.post("/people", nil)
	assert.Equal(t, http.StatusForbidden, r.Code)
	assert.Contains(t, r.says(), "PIN is asked for again")
	tablet.as("Ann")
	for range 4 {
		*s.now = s.now.Add(ownerFresh - time.Second)
		assert.Equal(t, http.StatusOK, tablet.get("/people").Code, "while an owner is at work it stays fresh")
	}
	*s.now = s.now.Add(ownerFresh)
	assert.NotEqual(t, http.StatusOK, tablet.get("/people").Code)
	assert.Equal(t, http.StatusOK, tablet.get("/").Code, "no cup waits for a PIN")

	require.Equal(t, http.StatusSeeOther, tablet.post("/leave", nil).Code)
	assert.Equal(t, http.StatusUnauthorized, tablet.post("/who", url.Values{"name": {"Ann"}}).Code, "who went home gives the PIN again")
	require.Equal(t, http.StatusSeeOther, tablet.post("/who", url.Values{"name": {"Cem"}}).Code)
	*s.now = s.now.Add(shift)
	assert.Equal(t, "/who?back=%2F", tablet.get("/").Header().Get("Location"), "a shift is over")
	assert.Equal(t, http.StatusUnauthorized, tablet.post("/who", url.Values{"name": {"Bea"}}).Code)
}

func TestPINsAreChanged(t *testing.T) {
	s, owner := lockBook(t)
	tablet := s.join(owner, "192.168.7.20").as("Cem")
	other := s.join(owner, "192.168.7.21").as("Cem")
	r := tablet.post("/pin", url.Values{"old": {"9999"}, "pin": {"8265"}, "again": {"8265"}})
	assert.Equal(t, http.StatusUnprocessableEntity, r.Code)
	require.Equal(t, http.StatusSeeOther, tablet.post("/pin", url.Values{"old": {pins["Cem"]}, "pin": {"8265"}, "again": {"8265"}}).Code)
	assert.Equal(t, http.StatusOK, tablet.get("/").Code)
	assert.Equal(t, http.StatusSeeOther, other.get("/").Code, "what was opened with the old one is closed elsewhere")
	assert.Equal(t, http.StatusUnprocessableEntity, other.signIn("Cem", pins["Cem"]).Code)
	assert.Equal(t, http.StatusSeeOther, other.signIn("Cem", "8265").Code)

	r = owner.as("Ann").post("/people/"+s.id("Ann"), url.Values{"name": {"Ann"}, "role": {"painter"}})
	assert.Equal(t, http.StatusUnprocessableEntity, r.Code)
	assert.Contains(t, r.says(), "This is the last owner with a PIN.")
	r = owner.post("/people/"+s.id("Cem"), url.Values{"name": {"Cem"}, "role": {"owner"}})
	assert.Equal(t, http.StatusUnprocessableEntity, r.Code)
	assert.Contains(t, r.says(), "An owner's PIN is longer")
	require.Equal(t, http.StatusSeeOther, owner.post("/people/"+s.id("Cem"), url.Values{"name": {"Cem"}, "role": {"mixer"}, "gone": {"1"}}).Code)
	assert.Equal(t, http.StatusSeeOther, tablet.get("/").Code, "who has left is out at once")
	assert.Equal(t, http.StatusNotFound, tablet.signIn("Cem", "8265").Code)
	require.NotContains(t, s.log.String(), "8265", "no PIN in the log")
	require.NotContains(t, s.log.String(), pins["Ann"])
}

// Ten thousand wrong PINs from many screens at once: a handful is hashed, the rest is turned away for the cost of a
// look at a small table, and whoever has the right one still comes in afterwards.
func TestTenThousandWrongPINs(t *testing.T) {
	s, owner := lockBook(t)
	var tablets []*screen
	for i := range 4 {
		tablets = append(tablets, s.join(owner, fmt.Sprintf("192.168.7.%d", 20+i)))
	}
	path := "/who/" + s.id("Cem")
	hashed, refused := 0, 0
	var mu sync.Mutex
	var all sync.WaitGroup
	for i, b := range tablets {
		key := b.cookies[cookieKey]
		all.Go(func() {
			for n := range 2500 {
				req := httptest.NewRequest(http.MethodPost, "https://127.0.0.1:8040"+path, strings.NewReader(fmt.Sprintf("pin=%04d", 2000+2500*i+n)))
				req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
				req.AddCookie(&http.Cookie{Name: cookieKey, Value: key})
				w := httptest.NewRecorder()
				s.handler.ServeHTTP(w, req)
				mu.Lock()
				switch w.Code {
				case http.StatusUnprocessableEntity:
					hashed++
				case http.StatusTooManyRequests:
					refused++
				default:
					t.Errorf("PIN %d of tablet %d: %d", n, i, w.Code)
				}
				mu.Unlock()
			}
		})
	}
	all.Wait()
	assert.Equal(t, people.TriesPerPerson.Free, hashed)
	assert.Equal(t, 10_000-hashed, refused)
	assert.Less(t, s.log.Len(), 400_000, "the log stays small")
	assert.Contains(t, s.log.String(), "too many requests")
	assert.Contains(t, s.log.String(), "wrong PIN")

	r := tablets[0].signIn("Cem", pins["Cem"])
	assert.Equal(t, http.StatusTooManyRequests, r.Code, "the right one has to wait as well, or it would be told apart")
	*s.now = s.now.Add(people.TriesPerPerson.First)
	assert.Equal(t, http.StatusSeeOther, tablets[0].signIn("Cem", pins["Cem"]).Code)
}

func TestStrangersCannotTryPINs(t *testing.T) {
	s, owner := lockBook(t)
	stranger := s.screen("192.168.7.99")
	assert.Equal(t, http.StatusUnauthorized, stranger.signIn("Ann", pins["Ann"]).Code, "not even with the right PIN")
	machine := s.screen("127.0.0.1")
	assert.Equal(t, http.StatusNotFound, machine.signIn("Cem", pins["Cem"]).Code, "at the machine itself only an owner lets a browser in")
	assert.Equal(t, http.StatusSeeOther, machine.signIn("Ann", pins["Ann"]).Code)
	assert.Equal(t, http.StatusOK, machine.get("/people").Code)

	// What another program on the machine passes on is not the machine itself.
	req := httptest.NewRequest(http.MethodPost, "https://127.0.0.1:8040/who/"+s.id("Ann"), strings.NewReader("pin="+pins["Ann"]))
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("X-Forwarded-For", "203.0.113.9")
	req.RemoteAddr = "127.0.0.1:40000"
	assert.Equal(t, http.StatusUnauthorized, s.do(req).Code)

	for i := range 40 { // guessing codes
		r := stranger.post("/join", url.Values{"code": {fmt.Sprintf("%010d", i)}, "name": {"x"}})
		want := http.StatusUnprocessableEntity
		if i >= people.TriesPerDevice.Free {
			want = http.StatusTooManyRequests
		}
		assert.Equal(t, want, r.Code, i)
	}
	neighbour := s.screen("192.168.7.98")
	assert.Equal(t, http.StatusSeeOther, neighbour.post("/join", url.Values{"code": {owner.code()}, "name": {"Bench"}}).Code, "nobody else has to wait")
	inOneNetwork := s.screen("2001:db8::1")
	for i := range people.TriesPerDevice.Free {
		inOneNetwork.from = fmt.Sprintf("2001:db8::%d", i+1)
		assert.Equal(t, http.StatusUnprocessableEntity, inOneNetwork.post("/join", url.Values{"code": {"0"}, "name": {"x"}}).Code)
	}
	inOneNetwork.from = "2001:db8::ffff"
	assert.Equal(t, http.StatusTooManyRequests, inOneNetwork.post("/join", url.Values{"code": {"0"}, "name": {"x"}}).Code, "another address of the same network")
}

// Who did what is on every event: the name is that of the session, whatever the request says.
func TestWhoDidWhatIsOnEveryEvent(t *testing.T) {
	s, owner := lockBook(t)
	toner, err := s.store.SaveToner(t.Context(), formula.Toner{Name: "Chalk", System: "Solvent base", Kind: formula.Solid, Strength: formula.Weak, Density: 1.5, Stocked: true})
	require.NoError(t, err)
	f, _, err := s.store.CreateFormula(t.Context(), formula.Formula{Name: "Gate", System: "Solvent base", Coat: formula.Base, Finish: formula.FinishSolid},
		formula.Revision{Lines: []formula.Line{{Toner: toner, Mass: 100 * gram.Gram}}, By: "Ann"})
	require.NoError(t, err)
	bench, other := s.join(owner, "192.168.7.20").as("Cem"), s.join(owner, "192.168.7.21").as("Bea")
	bench.cookies[cookieWho] = "Bea"
	r := bench.post("/mix/"+strconv.FormatInt(f.ID, 10), url.Values{"id": {"mix-1"}, "amount": {"100"}, "unit": {"g"}, "of": {"colour"}, "typed_readings": {"1"}, "by": {"Bea"}})
	require.Equal(t, http.StatusSeeOther, r.Code, r.says())
	path := r.Header().Get("Location")
	batch := strings.TrimPrefix(path, "/batch/")
	tap := func(b *screen, form url.Values) reply {
		state, err := s.store.State(t.Context(), batch)
		require.NoError(t, err)
		full := url.Values{"seen": {strconv.Itoa(state.Decided)}, "epoch": {strconv.Itoa(state.Epoch)}}
		for k, v := range form {
			full[k] = v
		}
		return b.post(path+"/tap", full)
	}
	require.Equal(t, http.StatusSeeOther, tap(bench, url.Values{"id": {"tap-1"}, "action": {"cup"}, "cup": {"400 ml cup"}, "typed": {"15"}}).Code)
	pour := url.Values{"id": {"tap-2"}, "action": {"pour"}, "step": {"1"}, "attempt": {"1"}, "typed": {"115"}, "lot": {""}}
	other.cookies[cookieDevice] = bench.cookies[cookieDevice] // forged: the screen that holds the cup
	assert.Equal(t, http.StatusConflict, tap(other, pour).Code, "another screen does not hold the pour")
	stale := url.Values{"id": {"tap-9"}, "seen": {"0"}, "epoch": {"0"}}
	for k, v := range pour {
		if k != "id" {
			stale[k] = v
		}
	}
	assert.Equal(t, http.StatusConflict, bench.post(path+"/tap", stale).Code, "out of order")
	require.Equal(t, http.StatusSeeOther, tap(bench, pour).Code)
	events, err := s.store.Events(t.Context(), batch)
	require.NoError(t, err)
	before := len(events)
	tap(bench, pour) // replayed by itself
	tap(other, pour) // and by another screen
	require.Equal(t, http.StatusSeeOther, tap(bench, url.Values{"id": {"tap-3"}, "action": {"stirred"}}).Code)
	events, err = s.store.Events(t.Context(), batch)
	require.NoError(t, err)
	assert.Len(t, events, before+1, "a replayed tap is booked once")
	a, err := s.store.Access(t.Context())
	require.NoError(t, err)
	devices := map[string]string{}
	for _, d := range a.Devices {
		devices[d.ID] = d.Name
	}
	for _, e := range events {
		assert.Equal(t, "Cem", e.By, "%T", e.Body)
		assert.Equal(t, "Tablet at 192.168.7.20", devices[e.Device], "%T", e.Body)
	}
}

// What the bench books by itself carries the name of who is at the tablet that holds the cup, also after a quick switch.
func TestSwitchingChangesHandsAtTheCup(t *testing.T) {
	device, err := scale.NewPretend(scale.PretendSetup{Balance: gram.Balance{Division: 100 * gram.Milligram, Max: 7500 * gram.Gram}, Hand: scale.Sure(), Seed: 1})
	require.NoError(t, err)
	s, owner := lockBookWith(t, device, false)
	toner, err := s.store.SaveToner(t.Context(), formula.Toner{Name: "Chalk", System: "Solvent base", Kind: formula.Solid, Strength: formula.Weak, Density: 1.5, Stocked: true})
	require.NoError(t, err)
	f, _, err := s.store.CreateFormula(t.Context(), formula.Formula{Name: "Gate", System: "Solvent base", Coat: formula.Base, Finish: formula.FinishSolid},
		formula.Revision{Lines: []formula.Line{{Toner: toner, Mass: 100 * gram.Gram}}, By: "Ann"})
	require.NoError(t, err)
	tablet, other := s.join(owner, "192.168.7.20").as("Bea").as("Cem"), s.join(owner, "192.168.7.21").as("Ann")
	r := tablet.post("/mix/"+strconv.FormatInt(f.ID, 10), url.Values{"id": {"mix-1"}, "amount": {"100"}, "unit": {"g"}, "of": {"colour"}})
	require.Equal(t, http.StatusSeeOther, r.Code, r.says())
	batch := strings.TrimPrefix(r.Header().Get("Location"), "/batch/")
	require.Equal(t, http.StatusSeeOther, tablet.post("/batch/"+batch+"/bring", nil).Code)
	pours := func() string {
		state, err := s.store.State(t.Context(), batch)
		require.NoError(t, err)
		return state.Name
	}
	assert.Equal(t, "Cem", pours())
	require.Equal(t, http.StatusSeeOther, tablet.post("/who", url.Values{"name": {"Bea"}}).Code)
	assert.Equal(t, "Bea", pours())
	require.Equal(t, http.StatusSeeOther, tablet.post("/who", url.Values{"name": {"Bea"}}).Code)
	other.as("Ann")
	assert.Equal(t, "Bea", pours(), "another tablet changes nothing")
	events, err := s.store.Events(t.Context(), batch)
	require.NoError(t, err)
	assert.Equal(t, "Bea", events[len(events)-1].By)
	assert.Len(t, events, 2, "planned, and one change of hands")
}

func TestWhatNoHonestPageSends(t *testing.T) {
	s, owner := lockBook(t)
	for host, want := range map[string]int{
		"127.0.0.1:8040": http.StatusOK, "[::1]:8040": http.StatusOK, "localhost": http.StatusOK, "LocalHost.:8040": http.StatusOK, "192.168.7.2": http.StatusOK,
		"evil.example": http.StatusMisdirectedRequest, "127.0.0.1.evil.example:8040": http.StatusMisdirectedRequest, "": http.StatusMisdirectedRequest, "localhost.evil.example": http.StatusMisdirectedRequest,
	} {
		req := httptest.NewRequest(http.MethodGet, "https://127.0.0.1:8040/records", nil)
		req.Host = host
		req.AddCookie(&http.Cookie{Name: cookieKey, Value: owner.cookies[cookieKey]})
		r := s.do(req)
		assert.Equal(t, want, r.Code, host)
		if want != http.StatusOK {
			assert.Contains(t, r.says(), "does not answer under this name")
		}
	}
	for header, value := range map[string]string{"Sec-Fetch-Site": "cross-site", "Origin": "https://evil.example"} {
		req := httptest.NewRequest(http.MethodPost, "https://127.0.0.1:8040/tablets/code", nil)
		req.Header.Set(header, value)
		req.AddCookie(&http.Cookie{Name: cookieKey, Value: owner.cookies[cookieKey]})
		r := s.do(req)
		assert.Equal(t, http.StatusForbidden, r.Code, header)
		assert.Contains(t, r.says(), "from another site")
	}
	policy := owner.get("/people").Header().Get("Content-Security-Policy")
	assert.Contains(t, policy, "default-src 'none'")
	assert.NotContains(t, policy, "unsafe")
	for _, path := range []string{"/people", "/people/" + s.id("Cem"), "/tablets", "/who", "/who/" + s.id("Ann"), "/join", "/pin", "/shop"} {
		page := owner.get(path).page
		assert.NotRegexp(t, `<[^>]* style=|<script(?:[^>]*)>[^<]|<[^>]* on[a-z]+=`, page, path)
	}
	for _, back := range []string{"//evil.example", "https://evil.example", "/\\evil.example", "javascript:alert(1)"} {
		r := owner.post("/who/"+s.id("Ann"), url.Values{"pin": {pins["Ann"]}, "back": {back}})
		assert.Equal(t, "/", r.Header().Get("Location"), back)
	}
}

// Two gigabytes, told beforehand or not: neither is read, and the answer is a sentence.
func TestTwoGigabytesAreNotTaken(t *testing.T) {
	s, owner := lockBook(t)
	server := httptest.NewServer(s.handler)
	t.Cleanup(server.Close)
	for _, kind := range []string{"multipart/form-data; boundary=x", "application/x-www-form-urlencoded"} {
		for _, told := range []bool{true, false} {
			body := &endless{left: 2 << 30}
			req, err := http.NewRequest(http.MethodPost, server.URL+"/book/import", body)
			require.NoError(t, err)
			if told {
				req.ContentLength = 2 << 30
			}
			req.Header.Set("Content-Type", kind)
			req.Header.Set("Accept", "application/json")
			req.AddCookie(&http.Cookie{Name: cookieKey, Value: owner.cookies[cookieKey]})
			res, err := http.DefaultClient.Do(req)
			if err == nil { // the server may hang up while the rest is still being sent
				said, err := io.ReadAll(res.Body)
				require.NoError(t, err)
				require.NoError(t, res.Body.Close())
				assert.GreaterOrEqual(t, res.StatusCode, 400, "%s", said)
				assert.Less(t, res.StatusCode, 500, "%s", said)
				assert.Contains(t, string(said), `"problem"`)
			}
			assert.Less(t, body.sent(), int64(64<<20), "%s, told %v", kind, told)
		}
	}
	assert.Contains(t, s.log.String(), "That is more than this page takes.")
	assert.Equal(t, http.StatusOK, owner.get("/records").Code)
}

// endless is a body that counts what was taken of it.
type endless struct {
	mu         sync.Mutex
	left, gone int64
}

func (e *endless) Read(p []byte) (int, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.left <= 0 {
		return 0, io.EOF
	}
	n := int64(len(p))
	if n > e.left {
		n = e.left
	}
	for i := range p[:n] {
		p[i] = 'a'
	}
	e.left -= n
	e.gone += n
	return int(n), nil
}

func (e *endless) sent() int64 {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.gone
}

func TestRatesAreBounded(t *testing.T) {
	l := rates{buckets: map[string]people.Bucket{}, said: map[string]time.Time{}}
	log := slog.New(slog.DiscardHandler)
	for i := range 3 * mostBuckets { // addresses without end
		l.take("address "+strconv.Itoa(i), people.Rate{Burst: 5, PerSecond: 0.001}, shopTime, log)
	}
	assert.LessOrEqual(t, len(l.buckets), mostBuckets+1)
	assert.LessOrEqual(t, len(l.said), mostBuckets)
}
