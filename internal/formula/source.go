package formula

import (
	"cmp"
	"fmt"
	"slices"
)

// Status is what became of one line of a pasted text or a file.
type Status string

// The statuses, mildest first.
const (
	Skipped Status = "skipped" // empty, the header, the total
	Fine    Status = "ok"
	Noted   Status = "note"  // taken as it is, with something to know
	Wrong   Status = "wrong" // keeps the whole from being taken
)

// SourceLine is one line as it came in, with what there is to say of it.
type SourceLine struct {
	Number int // 1-based, as an editor counts
	Cells  []string
	Status Status
	Says   []string // whole sentences, without the line's number
}

// source keeps the lines of what is read and what is wrong with them.
type source struct {
	lines    []SourceLine
	problems Problems
	more     int // problems beyond mostProblems
}

// mostProblems keeps a file that is wrong on every line from making a page of a million sentences.
const mostProblems = 200

func (s *source) line(number int) *SourceLine {
	at, ok := slices.BinarySearchFunc(s.lines, number, func(l SourceLine, n int) int { return cmp.Compare(l.Number, n) })
	if !ok {
		return nil
	}
	return &s.lines[at]
}

func (s *source) refuse(p Problem) {
	if l := s.line(p.Line); l != nil {
		l.Status = Wrong
		l.Says = append(l.Says, Problem{Detail: p.Detail}.Error())
	}
	if len(s.problems) >= mostProblems {
		s.more++
		return
	}
	s.problems = append(s.problems, p)
}

func (s *source) note(number int, sentence string) {
	if l := s.line(number); l != nil {
		if l.Status != Wrong {
			l.Status = Noted
		}
		l.Says = append(l.Says, sentence)
	}
}

// all returns the problems in the order of the lines.
func (s *source) all() Problems {
	ps := slices.Clone(s.problems)
	slices.SortStableFunc(ps, func(a, b Problem) int { return cmp.Compare(a.Line, b.Line) })
	if s.more > 0 {
		ps = append(ps, Problem{Detail: fmt.Sprintf("there are %d more problems. Correct these first.", s.more)})
	}
	return ps
}
