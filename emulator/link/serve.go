package link

import (
	"bufio"
	"errors"
	"fmt"
	"io"
)

// Serve is the logger's side of a wire for a logger written in Go: it reads the bench's lines from r, calls l and writes its
// answers to w, each at once. It returns nil when `end` was answered or the input ended, else what was wrong with the input.
func Serve(r io.Reader, w io.Writer, l Logger) error {
	lines := bufio.NewReaderSize(r, MaxLine+2)
	var m Message
	var a Answer
	var out []byte
	for {
		line, err := lines.ReadSlice('\n')
		if errors.Is(err, io.EOF) && len(line) == 0 {
			return nil
		}
		if err != nil {
			return fmt.Errorf("link: reading the bench's line: %w", err)
		}
		if err := ParseMessage(line[:len(line)-1], &m); err != nil {
			return fmt.Errorf("link: %w", err)
		}
		a.Reset()
		Deliver(l, &m, &a)
		out = a.Append(out[:0])
		if _, err := w.Write(out); err != nil {
			return fmt.Errorf("link: answering: %w", err)
		}
		if m.Kind == End {
			return nil
		}
	}
}
