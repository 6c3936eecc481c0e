package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"

	"stuntcell/scenarios/picture"
)

// wholeFile is a file that appears whole or not at all: it is written beside its place under another name and moved there by
// commit. What stood there before stays until then, and for good after discard.
type wholeFile struct {
	*bufio.Writer
	path string // where it will be
	f    *os.File
	// direct says that path is a device or a pipe, which can only be written to as it stands.
	direct bool
	done   bool
}

// createWhole begins a file. That the place can be written to is known now, before any long work.
func createWhole(path string) (*wholeFile, error) {
	info, err := os.Stat(path)
	switch {
	case err == nil && info.IsDir():
		return nil, fmt.Errorf("%s: is a directory, a file was expected", path)
	case err == nil && !info.Mode().IsRegular():
		f, err := os.OpenFile(path, os.O_WRONLY, 0)
		if err != nil {
			return nil, err
		}
		return &wholeFile{Writer: bufio.NewWriter(f), path: path, f: f, direct: true}, nil
	case err == nil:
		// A link is to go on pointing to what it points to.
		if path, err = filepath.EvalSymlinks(path); err != nil {
			return nil, err
		}
	case !errors.Is(err, fs.ErrNotExist):
		return nil, err
	}
	dir, base := filepath.Split(path)
	for range 100 {
		name := filepath.Join(dir, fmt.Sprintf(".%s.%08x", base, rand.Uint32()))
		// Not os.CreateTemp: its files are for their owner only, whatever the umask says.
		f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
		if errors.Is(err, fs.ErrExist) {
			continue
		}
		if errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("%s cannot be written: there is no directory %s", path, filepath.Clean(dir))
		}
		if err != nil {
			return nil, fmt.Errorf("%s cannot be written: %w", path, errors.Unwrap(err))
		}
		return &wholeFile{Writer: bufio.NewWriter(f), path: path, f: f}, nil
	}
	return nil, fmt.Errorf("%s cannot be written: no free name beside it", path)
}

// commit puts the file in its place.
func (w *wholeFile) commit() error {
	if w.done {
		return nil
	}
	err := w.Flush()
	if err == nil && !w.direct {
		err = w.f.Sync()
	}
	if err != nil {
		w.discard()
		return fmt.Errorf("%s: %w", w.path, err)
	}
	w.done = true
	if err := w.f.Close(); err != nil || w.direct {
		return err
	}
	if err := os.Rename(w.f.Name(), w.path); err != nil {
		os.Remove(w.f.Name())
		return err
	}
	return nil
}

// discard gives the file up, unless it was committed.
func (w *wholeFile) discard() {
	if w.done {
		return
	}
	w.done = true
	w.f.Close()
	if !w.direct {
		os.Remove(w.f.Name())
	}
}

// writeWhole writes a file whole or not at all.
func writeWhole(path string, write func(io.Writer) error) error {
	w, err := createWhole(path)
	if err != nil {
		return err
	}
	defer w.discard()
	if err := write(w); err != nil {
		return err
	}
	return w.commit()
}

// checkPicture reports a name under which no picture can be written, before any work is done.
func checkPicture(path string) error {
	if path == "" || picture.IsFile(path) {
		return nil
	}
	return usagef("--plot run.svg, for one", "%s: a picture is a .svg or a .png file", path)
}

// writePicture writes a picture as what the file's name says it is, and tells of it.
func writePicture(std streams, path string, p *picture.Picture) error {
	if err := writeWhole(path, func(w io.Writer) error { return p.Write(w, path) }); err != nil {
		return err
	}
	fmt.Fprintln(std.err, "wrote", path)
	return nil
}
