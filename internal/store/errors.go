package store

import (
	"errors"
	"fmt"
	"strings"

	"github.com/mattn/go-sqlite3"

	"pourbook/internal/formula"
	"pourbook/internal/pour"
)

// What callers tell apart with errors.Is.
var (
	ErrNotFound = errors.New("not found")
	ErrLocked   = errors.New("the book is open in another program")
	ErrIDReused = errors.New("the same id was used for something else")
	ErrNewer    = errors.New("the book is from a newer program")
	ErrOlder    = errors.New("the book needs an upgrade")
	ErrNotABook = errors.New("not a book")
	ErrReadOnly = errors.New("the book cannot be written")
	ErrFull     = errors.New("the disk is full")
	ErrClosed   = errors.New("the book is closed")
	ErrInUse    = errors.New("in use")
	ErrInvalid  = errors.New("not valid")
)

// Error is a failure with the sentence that a person may see. Error() is for the log.
type Error struct {
	Doing    string // what was being done: "save a toner"
	Sentence string // what happened and what to do next
	Err      error
}

func (e *Error) Error() string { return "store: " + e.Doing + ": " + e.Err.Error() }
func (e *Error) Unwrap() error { return e.Err }

// Sentence returns the words of err that are safe to show, "" where it has none.
func Sentence(err error) string {
	var own *Error
	var refusal *pour.Refusal
	var problem formula.Problem
	var problems formula.Problems
	switch {
	case errors.As(err, &refusal):
		return refusal.Sentence
	case errors.As(err, &own) && own.Sentence != "":
		return own.Sentence
	case errors.As(err, &problems):
		return problems.Error()
	case errors.As(err, &problem):
		return problem.Error()
	}
	return ""
}

func failed(doing string, err error, sentence string) error {
	return &Error{Doing: doing, Sentence: sentence, Err: err}
}

func notFound(doing, what string) error {
	return failed(doing, ErrNotFound, fmt.Sprintf("There is no %s. It may have been renamed; go back and look again.", what))
}

func invalid(doing, format string, args ...any) error {
	return failed(doing, ErrInvalid, fmt.Sprintf(format, args...))
}

// explain wraps a failure of SQLite with the sentence of its cause. What carries a sentence already passes as it is.
func explain(doing string, err error) error {
	if err == nil {
		return nil
	}
	if Sentence(err) != "" {
		return err
	}
	var s sqlite3.Error
	if !errors.As(err, &s) {
		return failed(doing, err, "")
	}
	switch s.Code {
	case sqlite3.ErrFull:
		return failed(doing, fmt.Errorf("%w: %w", ErrFull, err), "The disk is full. Nothing was kept of this; what was kept before is safe. Free some space, then try again.")
	case sqlite3.ErrReadonly, sqlite3.ErrPerm, sqlite3.ErrCantOpen, sqlite3.ErrAuth:
		return failed(doing, fmt.Errorf("%w: %w", ErrReadOnly, err), "The book cannot be written. Nothing was kept of this. Check the rights of the file and its folder, then try again.")
	case sqlite3.ErrBusy, sqlite3.ErrLocked:
		return failed(doing, err, "Another program is holding the book. Nothing was kept of this. Close that program, then try again.")
	case sqlite3.ErrIoErr:
		return failed(doing, err, "The disk reports a fault. Nothing was kept of this. Check the disk and make a backup.")
	case sqlite3.ErrCorrupt, sqlite3.ErrNotADB:
		return failed(doing, fmt.Errorf("%w: %w", ErrNotABook, err), "The file of the book is damaged. Stop, keep a copy of it and restore the last backup.")
	case sqlite3.ErrTooBig:
		return failed(doing, err, "This is more than the book can keep in one piece. Make it shorter.")
	}
	return failed(doing, err, "")
}

// failedFile is explain for a file that is just being opened or written, which it names.
func failedFile(doing, path string, err error) error {
	var s sqlite3.Error
	if Sentence(err) == "" && errors.As(err, &s) {
		switch s.Code {
		case sqlite3.ErrNotADB, sqlite3.ErrCorrupt:
			return failed(doing, fmt.Errorf("%w: %w", ErrNotABook, err), fmt.Sprintf("%s is not a book, or it is damaged. Choose another file or restore a backup.", path))
		case sqlite3.ErrReadonly, sqlite3.ErrPerm, sqlite3.ErrCantOpen:
			return failed(doing, fmt.Errorf("%w: %w", ErrReadOnly, err), fmt.Sprintf("%s cannot be opened or written. Check the rights of the file and its folder.", path))
		case sqlite3.ErrFull:
			return failed(doing, fmt.Errorf("%w: %w", ErrFull, err), fmt.Sprintf("The disk of %s is full. Free some space, then try again.", path))
		}
	}
	return explain(doing, err)
}

// isUnique reports whether err is the breach of a unique index over the named column ("toner.name_key").
func isUnique(err error, column string) bool {
	var s sqlite3.Error
	return errors.As(err, &s) && s.Code == sqlite3.ErrConstraint &&
		(s.ExtendedCode == sqlite3.ErrConstraintUnique || s.ExtendedCode == sqlite3.ErrConstraintPrimaryKey) &&
		strings.Contains(s.Error(), column)
}

// isForeignKey reports whether err is a reference to a row that does not exist, or from one that is still needed.
func isForeignKey(err error) bool {
	var s sqlite3.Error
	return errors.As(err, &s) && s.ExtendedCode == sqlite3.ErrConstraintForeignKey
}
