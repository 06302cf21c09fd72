package internal_test

import (
	"encoding/json"
	"errors"
	"io"
	"maps"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// arrow says what of ours a package may import, and why no more.
type arrow struct {
	may []string
	why string
}

var pure = []string{"gram", "colour", "pigment", "coating", "formula", "card", "pour", "shelf", "calc", "rehearse", "people"}

// arrows is the table of DEVELOPERS.md. Paths are relative to the module, internal/ left out.
var arrows = map[string]arrow{
	"gram":       {nil, "arithmetic is checked against a printed page, with no set-up"},
	"colour":     {nil, "colour is checked against a printed page, with no set-up"},
	"coating":    {nil, "coating arithmetic is checked against a printed page, with no set-up"},
	"formula":    {[]string{"gram", "colour"}, "recipe words are built on numbers"},
	"people":     {[]string{"gram", "colour"}, "people know nothing of paint"},
	"pigment":    {[]string{"gram", "colour"}, "prediction is colour plus toner data; composition comes as numbers"},
	"pour":       {[]string{"gram", "formula"}, "weight-only algebra is gram's; colour comes through the interface pour.Colour"},
	"shelf":      {[]string{"gram", "colour", "formula"}, "rules of tins and leftovers"},
	"card":       {[]string{"gram", "colour", "formula"}, "rules of spray-outs"},
	"calc":       {[]string{"gram", "colour", "pigment", "coating", "formula", "card", "pour", "shelf"}, "the same pure functions as the screens"},
	"rehearse":   {[]string{"gram", "colour", "pigment", "coating", "formula", "card", "pour", "shelf"}, "the same pure functions as the bench"},
	"scale":      {[]string{"gram"}, "a device knows mass, not recipes"},
	"migrations": {nil, "files only"},
	"static":     {nil, "files only"},
	"store":      {append(slices.Clone(pure), "migrations"), "the only place with SQL"},
	"backup":     {[]string{"store"}, "a backup is a copy of a book"},
	"bench":      {[]string{"gram", "formula", "pour", "scale"}, "joins device and rules; what it records goes through its one-method Recorder"},
	"web/page":   {pure, "markup from ready values: no request, no query"},
	"web":        {append(slices.Clone(pure), "store", "backup", "bench", "web/page", "static"), "parse, call, render: no device, no SQL"},
}

func TestArrows(t *testing.T) {
	seen := map[string]bool{}
	for _, p := range packages(t) {
		name := short(p.ImportPath)
		if strings.HasPrefix(name, "cmd/") || name == "." || name == "internal" {
			continue // cmd is the only place where all parts meet
		}
		rule, ok := arrows[name]
		if !assert.Truef(t, ok, "package %s has no line in the table: say what it may import, and why", name) {
			continue
		}
		seen[name] = true
		for _, path := range p.Imports {
			if !strings.HasPrefix(path, "pourbook/") {
				continue
			}
			assert.Truef(t, slices.Contains(rule.may, short(path)), "%s imports %s, which it may not: %s", name, short(path), rule.why)
		}
	}
	assert.NotEmpty(t, seen)
}

// The pure packages read no clock, no file, no network and no context.
func TestPurePackagesAreWithoutIO(t *testing.T) {
	forbidden := []string{"context", "database/sql", "log", "log/slog", "net", "net/http", "os", "os/exec", "math/rand", "sync"}
	for _, p := range packages(t) {
		if name := short(p.ImportPath); slices.Contains(pure, name) && name != "calc" {
			for _, path := range p.Imports {
				assert.NotContainsf(t, forbidden, path, "%s imports %s: a pure package is arithmetic on values", name, path)
			}
		}
	}
}

type pkg struct {
	ImportPath string
	Imports    []string
}

func packages(t *testing.T) []pkg {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), "go", "list", "-json=ImportPath,Imports", "pourbook/...").Output()
	require.NoError(t, err)
	var all []pkg
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p pkg
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else {
			require.NoError(t, err)
		}
		all = append(all, p)
	}
	require.NotEmpty(t, all)
	return all
}

func short(path string) string {
	return strings.TrimPrefix(strings.TrimPrefix(path, "pourbook/"), "internal/")
}

// The table names no package twice under another spelling, and only packages that may exist.
func TestArrowTableIsClosed(t *testing.T) {
	names := slices.Collect(maps.Keys(arrows))
	for name, rule := range arrows {
		for _, may := range rule.may {
			assert.Containsf(t, names, may, "%s may import %s, which has no line of its own", name, may)
		}
	}
}
