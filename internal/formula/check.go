package formula

import (
	"slices"
	"strings"
)

// CheckFormula returns everything that is wrong with the words of a formula as Problems, nil where they stand.
// What passes can be kept, exported and imported again. Lines are for Check.
func CheckFormula(f Formula) error {
	ps := checkFormula(f)
	if f.Swatch != "" && !isSwatch(f.Swatch) {
		ps = append(ps, Problem{Field: "swatch", Detail: quoted(f.Swatch) + " is no swatch. Write it like #a0b1c2, or leave it empty."})
	}
	if detail := badProse(f.Notes); detail != "" {
		ps = append(ps, Problem{Field: "notes", Detail: "the text of the notes " + detail})
	}
	return ps.Err()
}

// checkFormula checks what has a column in a file.
func checkFormula(f Formula) Problems {
	var ps Problems
	text := func(field, s string) {
		if detail := unfitForCell(s); detail != "" {
			ps = append(ps, Problem{Field: field, Detail: field + " " + detail})
		}
	}
	joined := strings.Join(f.Tags, tagSeparator+" ")
	text("name", f.Name)
	text("code", f.Code)
	text("alternate", f.Alternate)
	text("years", f.Years)
	text("system", string(f.System))
	text("tags", joined)
	if len(f.Tags) > 0 && !slices.Equal(splitTags(joined), f.Tags) {
		ps = append(ps, Problem{Field: "tags", Detail: "a tag is empty, has spaces at its ends or holds a semicolon. Correct it."})
	}
	if f.Name == "" {
		ps = append(ps, Problem{Field: "name", Detail: "there is no name. Enter one."})
	}
	if f.System == "" {
		ps = append(ps, Problem{Field: "system", Detail: "there is no paint system. Enter the one its toners belong to."})
	}
	if !slices.Contains(Coats, f.Coat) {
		ps = append(ps, Problem{Field: "coat", Detail: notOneOf("coat", string(f.Coat), Coats)})
	}
	if !slices.Contains(Finishes, f.Finish) {
		ps = append(ps, Problem{Field: "finish", Detail: notOneOf("finish", string(f.Finish), Finishes)})
	}
	return ps
}
