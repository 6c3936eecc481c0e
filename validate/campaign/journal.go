package campaign

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"

	"stuntcell/validate/verdict"
)

// maxLine bounds a line of a file of verdicts [bytes]; the longest that are written are some hundred kB.
const maxLine = 8 << 20

// Placed is a verdict and where it was read.
type Placed struct {
	*verdict.Verdict
	File string
	Line int
}

// Place writes where the verdict was read as file:line.
func (p Placed) Place() string { return fmt.Sprintf("%s:%d", p.File, p.Line) }

// Read reads a file of verdicts, one a line, as `prove --json` and journals write them. A last line without its end was cut
// short and is left out; whole is the number of bytes before it. Errors name file:line:column and what was expected.
func Read(name string, r io.Reader) (verdicts []Placed, whole int64, err error) {
	lines := bufio.NewReaderSize(r, 64<<10)
	var line []byte
	for n := 1; ; n++ {
		line = line[:0]
		for {
			part, err := lines.ReadSlice('\n')
			line = append(line, part...)
			if len(line) > maxLine {
				return nil, 0, fmt.Errorf("%s:%d:1: a line of more than %d MiB; expected a verdict, as `prove --json` writes them", name, n, maxLine>>20)
			}
			if err == nil {
				break
			}
			if errors.Is(err, bufio.ErrBufferFull) {
				continue
			}
			if errors.Is(err, io.EOF) {
				return verdicts, whole, nil
			}
			return nil, 0, fmt.Errorf("%s: %w", name, err)
		}
		whole += int64(len(line))
		if len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		v, err := decode(line)
		if err != nil {
			return nil, 0, fmt.Errorf("%s:%d:%w", name, n, err)
		}
		verdicts = append(verdicts, Placed{v, name, n})
	}
}

// decode reads one line; an error begins with the column.
func decode(line []byte) (*verdict.Verdict, error) {
	v := new(verdict.Verdict)
	err := json.Unmarshal(line, v)
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	const hint = "expected a verdict, as `prove --json` writes them"
	switch {
	case errors.As(err, &syntax):
		return nil, fmt.Errorf("%d: no JSON; %s", syntax.Offset, hint)
	case errors.As(err, &kind):
		return nil, fmt.Errorf("%d: %s is a %s, which does not fit; %s", kind.Offset, kind.Field, kind.Value, hint)
	case err != nil:
		return nil, fmt.Errorf("1: %w; %s", err, hint)
	case v.Schema != verdict.Schema:
		return nil, fmt.Errorf("1: schema %q; expected %q, as `prove --json` writes it", v.Schema, verdict.Schema)
	case v.Scenario == "":
		return nil, fmt.Errorf("1: a verdict without a scenario; %s", hint)
	case v.Suite != nil && (v.Suite.Index < 0 || v.Suite.Index >= v.Suite.Of || v.Suite.Of > maxSuite):
		return nil, fmt.Errorf("1: suite index %d of %d; expected 0 to one less, of at most %d", v.Suite.Index, v.Suite.Of, maxSuite)
	}
	return v, nil
}

// maxSuite bounds the scenarios of a suite, so that a damaged file does not ask for the memory of billions.
const maxSuite = 1_000_000

// Journal keeps each finished verdict in a file, so that a run that is killed at any moment goes on where it was.
type Journal struct {
	f        *os.File
	identity Identity
	finished map[int]*verdict.Verdict
}

// OpenJournal opens the journal of a run, or begins it. A last line that was cut short is removed. A journal of another run is
// refused, with what differs.
func OpenJournal(path string, id Identity) (_ *Journal, err error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o666)
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			f.Close()
		}
	}()
	verdicts, whole, err := Read(path, f)
	if err != nil {
		return nil, err
	}
	j := &Journal{f: f, identity: id, finished: map[int]*verdict.Verdict{}}
	for _, v := range verdicts {
		if d := id.Differs(IdentityOf(v.Verdict)); d != "" {
			return nil, fmt.Errorf("%s: the journal is of another run; different: %s. Take another file, or remove this one to start anew", v.Place(), d)
		}
		j.finished[v.Suite.Index] = v.Verdict
	}
	if err := f.Truncate(whole); err != nil {
		return nil, err
	}
	if _, err := f.Seek(whole, io.SeekStart); err != nil {
		return nil, err
	}
	return j, nil
}

// Finished returns the verdict of scenario i, if the journal has it.
func (j *Journal) Finished(i int) (*verdict.Verdict, bool) {
	v, ok := j.finished[i]
	return v, ok
}

// Add keeps a verdict. It is in the file when Add returns.
func (j *Journal) Add(v *verdict.Verdict) error {
	line, err := json.Marshal(v)
	if err != nil {
		return err
	}
	_, err = j.f.Write(append(line, '\n'))
	return err
}

// Close closes the file.
func (j *Journal) Close() error { return j.f.Close() }
