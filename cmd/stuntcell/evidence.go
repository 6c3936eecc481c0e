package main

import (
	"archive/zip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"stuntcell/validate/audit"
)

// writeEvidence writes all that a dispute may ask for into one archive: the log as it is, the report as text and JSON, the sheet, firmware, calibration, rig and pack if
// files were named, and SHA256SUMS of all of them. The same files give the same bytes: no dates are kept in it.
func writeEvidence(w io.Writer, a *audited, sheet audit.Sheet, files []string) error {
	z := zip.NewWriter(w)
	var sums strings.Builder
	used := map[string]bool{}
	add := func(name string, write func(io.Writer) error) error {
		for n := 2; used[name]; n++ {
			name = fmt.Sprintf("%d-%s", n, name)
		}
		used[name] = true
		f, err := z.Create(name)
		if err != nil {
			return err
		}
		h := sha256.New()
		if err := write(io.MultiWriter(f, h)); err != nil {
			return err
		}
		fmt.Fprintf(&sums, "%s  %s\n", hex.EncodeToString(h.Sum(nil)), name)
		return nil
	}
	file := func(path string) error {
		return add(filepath.Base(path), func(w io.Writer) error {
			f, err := os.Open(path)
			if err != nil {
				return err
			}
			defer f.Close()
			_, err = io.Copy(w, f)
			return err
		})
	}
	if err := file(a.Log); err != nil {
		return err
	}
	if err := add("report.txt", a.text); err != nil {
		return err
	}
	if err := add("report.json", func(w io.Writer) error { return json.NewEncoder(w).Encode(a) }); err != nil {
		return err
	}
	if err := add("sheet.html", sheet.Write); err != nil {
		return err
	}
	for _, f := range files {
		if err := file(f); err != nil {
			return err
		}
	}
	f, err := z.Create("SHA256SUMS")
	if err != nil {
		return err
	}
	if _, err := io.WriteString(f, sums.String()); err != nil {
		return err
	}
	return z.Close()
}
