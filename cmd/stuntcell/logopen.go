package main

import (
	"archive/zip"
	"compress/flate"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"strings"

	"stuntcell/validate/audit"
	"stuntcell/validate/logfile"
)

// openLog opens a log for reading: a file, one compressed by gzip (.gz), the only file of a zip archive, or - for standard input.
func openLog(std streams, name string) (io.Reader, func(), error) {
	if name == "-" {
		return std.in, func() {}, nil
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, nil, err
	}
	if info, err := f.Stat(); err == nil && info.IsDir() {
		f.Close()
		return nil, nil, fmt.Errorf("%s: is a directory, a log was expected", name)
	}
	switch {
	case strings.HasSuffix(name, ".gz"):
		z, err := gzip.NewReader(f)
		if err != nil {
			f.Close()
			return nil, nil, fmt.Errorf("%s: no file compressed by gzip (expected one, or a name without .gz)", name)
		}
		return z, func() { f.Close() }, nil
	case strings.HasSuffix(name, ".zip"):
		f.Close()
		return openZip(name)
	}
	return f, func() { f.Close() }, nil
}

func openZip(name string) (io.Reader, func(), error) {
	z, err := zip.OpenReader(name)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: no zip archive (expected one, or a name without .zip)", name)
	}
	var files []*zip.File
	var names []string
	for _, f := range z.File {
		if !f.FileInfo().IsDir() {
			files = append(files, f)
			names = append(names, f.Name)
		}
	}
	if len(files) != 1 {
		z.Close()
		return nil, nil, fmt.Errorf("%s: %d files in the archive: %.200q (expected one log; hint: take it out first)", name, len(files), names)
	}
	r, err := files[0].Open()
	if err != nil {
		z.Close()
		return nil, nil, fmt.Errorf("%s: %w", name, err)
	}
	return r, func() { r.Close(); z.Close() }, nil
}

// eachBatch hands a log over in batches until it ends or the run is interrupted.
func eachBatch(ctx context.Context, name string, r *logfile.Reader, take func(*logfile.Table) error) error {
	for {
		if ctx.Err() != nil {
			return interrupted
		}
		t, err := r.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err == nil {
			err = take(t)
		}
		if err != nil {
			return inLog(name, err)
		}
	}
}

// inLog puts the file's name before what is wrong with it.
func inLog(name string, err error) error {
	var e *logfile.Error
	if errors.As(err, &e) && e.Line > 0 {
		return fmt.Errorf("%s:%w", name, err)
	}
	var corrupt flate.CorruptInputError
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF):
		return fmt.Errorf("%s: the file ends before the log in it does (expected all of it; hint: copy it again)", name)
	case errors.Is(err, gzip.ErrChecksum), errors.Is(err, gzip.ErrHeader), errors.Is(err, zip.ErrChecksum), errors.As(err, &corrupt):
		return fmt.Errorf("%s: the compressed file is damaged (hint: copy it again)", name)
	}
	return fmt.Errorf("%s: %w", name, err)
}

// auditLog audits one log.
func auditLog(ctx context.Context, std streams, name string, columns map[string]string, o audit.Options) (*audit.Report, error) {
	in, closeLog, err := openLog(std, name)
	if err != nil {
		return nil, err
	}
	defer closeLog()
	a := audit.New(o)
	if err := eachBatch(ctx, name, logfile.NewReader(in, logfile.Options{Columns: columns, Workers: min(runtime.GOMAXPROCS(0), 4)}), a.Add); err != nil {
		return nil, err
	}
	r := a.Finish()
	r.Log = name
	return r, nil
}

// hashFile is SHA-256 of a file, in hex; empty for standard input.
func hashFile(name string) (string, error) {
	if name == "-" {
		return "", nil
	}
	f, err := os.Open(name)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}
