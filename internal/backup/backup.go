// Package backup keeps a book safe: whole copies of it that were read back, one a day with rotation, the way back from
// one of them, and a check that reads everything.
//
// It promises that a backup under its final name is complete, consistent, on the disk and was found well; that
// pouring goes on meanwhile; that a restore changes nothing before the backup was read through, and throws nothing away;
// that rotation deletes only files that a daily backup of this book made.
//
// It does not protect against what happens since the last backup (a copy that follows the book continuously does:
// cmd/pourbook/testdata/replicate.sh), nor against a folder on the same disk, which dies with it. Reading back shows what the
// operating system gives, which may be its memory and not the disk.
//
// Start at Make, Daily, Restore and Check.
package backup

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"

	"pourbook/internal/store"
)

// ErrDamaged is a book or a backup that a check found something wrong with.
var ErrDamaged = errors.New("the check found something wrong")

// Make writes a whole copy of the book to path, which must not exist yet, and returns what was found in it on reading
// it back. Events may be recorded all the while; the copy holds the book as it was at one moment after Make was called.
// It gets its name once it is on the disk and was found well; until then it lies in a folder of its own beside.
func Make(ctx context.Context, s *store.Store, path string) (Report, error) {
	const doing = "make a backup"
	if _, err := os.Lstat(path); err == nil {
		return Report{}, failed(doing, fs.ErrExist, "%s exists already. Choose another name.", path)
	}
	folder, name := filepath.Split(path)
	stage, err := os.MkdirTemp(filepath.Clean(folder+"."), name+partMark)
	if err != nil {
		return Report{}, failed(doing, err, "The folder of %s cannot be written. Choose another or change its rights.", path)
	}
	defer func() { _ = os.RemoveAll(stage) }() // empty by then, or of no use
	part := filepath.Join(stage, name)
	if err := s.Copy(ctx, part); err != nil {
		return Report{}, renamed(err, part, path)
	}
	if info, err := os.Stat(s.Path()); err == nil {
		_ = os.Chmod(part, info.Mode().Perm()) // as private as the book, where the file system knows rights
	}
	if err := syncFile(part); err != nil {
		return Report{}, failed(doing, err, "The disk of %s did not keep the backup. Check the disk, or choose another.", path)
	}
	report, err := Check(ctx, part)
	if err != nil {
		return Report{}, renamed(err, part, path)
	}
	if !report.Well() {
		return report, failed(doing, ErrDamaged, "The backup was read back and is not well: %s. It was not kept. Look the book over with `pourbook check`.", report.Found[0])
	}
	if err := publish(part, path); err != nil {
		return Report{}, failed(doing, err, "%s could not be given its name. Choose another name or folder.", path)
	}
	return report, nil
}

// partMark is in the name of the folder in which a backup lies until it is complete.
const partMark = ".part-"

// publish gives a file its final name in one step and never over another one.
func publish(part, path string) error {
	err := os.Link(part, path)
	if errors.Is(err, fs.ErrExist) {
		return err
	}
	if err != nil { // a file system without hard links, as on most sticks
		if _, there := os.Lstat(path); there == nil {
			return fs.ErrExist
		}
		if err := os.Rename(part, path); err != nil {
			return err
		}
	}
	return syncFolder(filepath.Dir(path))
}

// copyFile copies a file to a new one and returns once the copy is on the disk.
func copyFile(from, to string) (err error) {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { _ = in.Close() }() // it was only read
	info, err := in.Stat()
	if err != nil {
		return err
	}
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, info.Mode().Perm()|0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	if _, err := io.Copy(out, in); err != nil {
		return err
	}
	return out.Sync()
}

func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// syncFolder puts the names in a folder on the disk, where the system has a way to ask for it.
func syncFolder(path string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	_ = f.Sync() // some file systems refuse it for folders
	return f.Close()
}

func failed(doing string, err error, format string, args ...any) error {
	return &store.Error{Doing: doing, Sentence: fmt.Sprintf(format, args...), Err: err}
}
