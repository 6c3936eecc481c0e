package link

import (
	"bytes"
	"fmt"
)

// Bounds of what is kept of a logger that says too much.
const (
	maxNoise  = 64 << 10 // bytes before the first ok that are no link words
	maxAnswer = 32 << 20 // bytes of one answer, its bookkeeping included
	saidCost  = 64       // bookkeeping of one line
)

// listener makes answers of the bytes that a logger writes.
type listener struct {
	chunk    []byte // what was heard and not yet understood
	line     []byte // the beginning of a line that goes on in the next chunk
	overlong bool   // line was cut: the rest of it is dropped
	greeted  bool   // an ok was heard
	noise    int    // bytes of noise before it
	noisy    string // the last line of it
	fresh    bool   // answer belongs to what was returned: begin a new one
	cost     int    // of the answer so far [bytes]
	answer   Answer
}

// next returns the next answer, nil if more has to be heard first. An error is a *Failure.
func (l *listener) next() (*Answer, error) {
	if l.fresh {
		l.answer.Reset()
		l.cost, l.fresh = 0, false
	}
	for {
		line, ok, err := l.nextLine()
		if err == nil && !ok {
			return nil, nil
		}
		done := false
		if err == nil {
			done, err = l.answer.Take(line)
		}
		if err != nil {
			if err = l.notALine(line, err); err != nil {
				return nil, err
			}
			continue
		}
		if done {
			l.greeted, l.fresh = true, true
			return &l.answer, nil
		}
		if l.cost += len(line) + saidCost; l.cost > maxAnswer {
			return nil, &Failure{Kind: Garbled, Line: printable(line, 200), Hint: "end each answer with a line `ok`",
				Detail: fmt.Sprintf("more than %d MiB in one answer", maxAnswer>>20)}
		}
	}
}

// nextLine returns the next whole line; ok is false if more has to be heard. What is longer than the longest line is dropped, with
// an error for each piece.
func (l *listener) nextLine() (line []byte, ok bool, err error) {
	end := bytes.IndexByte(l.chunk, '\n')
	if end < 0 {
		chunk := l.chunk
		l.chunk = nil
		if room := MaxLine + 2 - len(l.line); len(chunk) > room {
			l.overlong = true
			l.line = append(l.line, chunk[:room]...)
			return chunk, false, garbled(l.line, tooLongHint)
		}
		l.line = append(l.line, chunk...)
		return nil, false, nil
	}
	line = l.chunk[:end]
	l.chunk = l.chunk[end+1:]
	if len(l.line) > 0 {
		line = append(l.line, line...)
		l.line = line[:0]
	}
	if l.overlong {
		l.overlong = false
		return line, false, garbled(line, tooLongHint)
	}
	return line, true, nil
}

// notALine passes over what comes before the first ok: a boot banner is noise, as long as it ends.
func (l *listener) notALine(line []byte, err error) error {
	if l.greeted {
		return err
	}
	l.noisy = printable(line, 200)
	if l.noise += len(line) + 1; l.noise > maxNoise {
		f := garbled(line, "answer the greeting with a line `ok`")
		f.Detail = fmt.Sprintf("more than %d KiB before the first `ok` that are no lines of the link", maxNoise>>10)
		return f
	}
	return nil
}

// hung says what there is instead of an answer.
func (l *listener) hung(detail string) *Failure {
	f := &Failure{Kind: Hang, Detail: detail, Hint: "print `ok` after each line that was read, and flush standard output after it; read line by line (mawk: -W interactive)"}
	switch {
	case l.overlong:
		f = garbled(l.line, tooLongHint)
	case len(l.line) > 0:
		f.Line = printable(l.line, 200)
		f.Detail += ", only the beginning of a line"
	case l.noisy != "" && !l.greeted:
		f.Line = l.noisy
		f.Detail += ", but lines that are none of the link's"
	}
	return f
}
