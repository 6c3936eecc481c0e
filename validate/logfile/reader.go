package logfile

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf16"
)

const (
	bufferSize = 1 << 20
	lookahead  = 256 << 10 // what must be there behind a line, so that a header can be understood by its rows
	batchRows  = 4096
	batchCells = 256 << 10
)

// Reader reads a log of any size as a stream, in memory that does not grow with it (a few MiB; with workers some ten, and batches are larger).
//
// Lines may end in LF, CR LF or CR. UTF-8 and ASCII are read as they are, UTF-16 with its mark is converted. NUL bytes, UTF-16
// without a mark, compressed files and lines over 64 KiB are refused with an *Error.
//
// With workers it may still be reading its input ahead for a moment after an error.
//
// Where rows further down are needed to settle something (which number of a date is the day, whether times wrap at 24 h), an
// input that is an io.Seeker is searched to its end; for others what fits in the buffer decides.
type Reader struct {
	in    io.Reader
	seek  io.Seeker // nil if in is none, or is converted
	begin int64     // where the log begins in seek
	opts  Options

	buffer     []byte
	low        int // where the buffer's text begins
	start, end int // unread part of the buffer
	atEnd      bool
	opened     bool
	eol        byte
	line       int   // index of the line at start
	long       int   // number of a line in the buffer that is too long, 0 if there is none
	failed     error // what Next returns from now on
	done       bool

	assembler *assembler
	table     Table
	ahead     ahead
	prefetch  *prefetch
}

// NewReader returns a Reader of in. Nothing is read before Next.
func NewReader(in io.Reader, opts Options) *Reader {
	r := &Reader{in: in, opts: opts, eol: '\n'}
	if s, ok := in.(io.Seeker); ok {
		if at, err := s.Seek(0, io.SeekCurrent); err == nil {
			r.seek, r.begin = s, at
		}
	}
	return r
}

// Next returns the next batch of rows, with what else stood between them. Its columns are those of all batches so far, with the
// values of this one. It is valid until the next call. After the last batch the error is io.EOF; with Options.Follow,
// Next may then be called again once the file has grown. Any other error is final: an *Error, or one of the input.
func (r *Reader) Next() (*Table, error) {
	if r.failed != nil {
		return nil, r.failed
	}
	t, err := r.next()
	if err != nil && (err != io.EOF || !r.opts.Follow) {
		r.failed = err
	}
	return t, err
}

func (r *Reader) next() (*Table, error) {
	if err := r.fill(); err != nil {
		return nil, err
	}
	if r.assembler == nil {
		if r.opts.Follow && r.atEnd && bytes.IndexByte(r.buffer[r.start:r.end], r.eol) < 0 {
			return nil, io.EOF
		}
		a := &assembler{opts: r.opts, table: &r.table, look: r.look}
		if err := a.begin(r.look(0)); err != nil {
			var e *Error
			if r.opts.Follow && r.atEnd && errors.As(err, &e) && e.early {
				return nil, io.EOF // nothing is there yet
			}
			if r.long > 0 {
				return nil, tooLong(r.long - 1)
			}
			return nil, err
		}
		r.assembler = a
	}
	r.clear()
	for {
		if r.opts.Workers > 0 && !r.opts.Follow && r.adopt() {
			return &r.table, nil
		}
		if err := r.lines(); err != nil {
			return nil, err
		}
		if r.table.something() {
			return &r.table, nil
		}
		if len(r.ahead.queue) == 0 {
			return nil, io.EOF
		}
	}
}

// lines takes lines until the batch is large enough, what is there ends, or a worker reads on.
func (r *Reader) lines() error {
	for !r.full() {
		if err := r.fill(); err != nil {
			return err
		}
		if len(r.ahead.queue) > 0 && r.start == r.ahead.queue[0].begin {
			return nil
		}
		if r.plainRows() > 0 {
			continue
		}
		line, ok, err := r.take()
		if err != nil {
			return err
		}
		if !ok {
			break
		}
		r.assembler.push(r.line, trimLine(line, r.line))
		r.line++
	}
	if r.atEnd && r.start == r.end && !r.done && !r.opts.Follow {
		r.done = true
		r.assembler.end()
	}
	return nil
}

// clear empties the table for the next batch; columns keep what they are.
func (r *Reader) clear() {
	t := &r.table
	t.Rows, t.Problems, t.Headers, t.Comments, t.Footers, t.Blank = t.Rows[:0], t.Problems[:0], t.Headers[:0], t.Comments[:0], t.Footers[:0], 0
	t.NotNumbers = t.NotNumbers[:0]
	if r.line > 0 {
		t.Segments = t.Segments[:0]
	}
	for i := range t.Columns {
		c := &t.Columns[i]
		c.Value, c.Step = c.Value[:0], c.Step[:0]
		if c.Text != nil {
			c.Text = c.Text[:0]
		}
	}
}

// full says that the batch is large enough.
func (r *Reader) full() bool {
	t := &r.table
	return len(t.Rows) >= batchRows || len(t.Rows)*len(t.Columns) >= batchCells ||
		len(t.Problems)+len(t.Headers)+len(t.Comments)+len(t.Footers)+len(t.Segments)+t.Blank >= batchRows
}

// plainRows takes the rows that stand next and can be read the quick way.
func (r *Reader) plainRows() int {
	lines := r.buffer[r.start:r.ahead.limit(r.end)]
	used, n := r.assembler.plainRows(r.line, lines[:1+bytes.LastIndexByte(lines, r.eol)], r.eol, batchRows-len(r.table.Rows))
	r.start += used
	r.line += n
	return n
}

// fill reads on until enough is there to understand a header, or the input ends.
func (r *Reader) fill() error {
	if r.end-r.start >= lookahead || r.atEnd && !r.opts.Follow {
		return nil
	}
	if r.buffer == nil {
		size := bufferSize
		if r.opts.Workers > 0 {
			if size = largeBuffer; r.opts.large > 0 {
				size = r.opts.large
			}
		}
		r.buffer = make([]byte, size)
	}
	if r.prefetch != nil {
		return r.takePrefetched()
	}
	copy(r.buffer, r.buffer[r.start:r.end])
	r.end -= r.start
	r.start, r.atEnd = 0, false
	if !r.opened {
		if err := r.read(encodingMark); err != nil || r.atEnd && r.opts.Follow {
			return err
		}
		r.opened = true
		if err := r.encoding(); err != nil {
			return err
		}
	}
	if err := r.read(len(r.buffer)); err != nil {
		return err
	}
	if b := r.buffer[:r.end]; r.line == 0 && bytes.IndexByte(b, '\n') < 0 && bytes.IndexByte(b, '\r') >= 0 {
		r.eol = '\r'
	}
	if r.opts.Workers > 0 && !r.opts.Follow && !r.atEnd {
		r.prefetch = &prefetch{buffer: make([]byte, len(r.buffer)), done: make(chan struct{}, 1)}
		go r.prefetch.read(r.in)
	}
	return nil
}

// read reads until the buffer holds so many bytes, or the input ends.
func (r *Reader) read(until int) error {
	idle := 0
	for r.end < until && !r.atEnd {
		n, err := r.in.Read(r.buffer[r.end:until])
		if i := bytes.IndexByte(r.buffer[r.end:r.end+n], 0); i >= 0 && r.opened {
			return r.binary(r.end + i)
		}
		r.end += n
		if idle++; n > 0 {
			idle = 0
		}
		switch {
		case err == io.EOF:
			r.atEnd = true
		case err != nil:
			return err
		case idle > 100:
			return io.ErrNoProgress
		}
	}
	return nil
}

// encodingMark is how many bytes show how a file is encoded.
const encodingMark = 4

// encoding looks at the first bytes, and lets UTF-16 with a mark be converted.
func (r *Reader) encoding() error {
	b := r.buffer[:r.end]
	in, err := decoded(b, r.in)
	if err != nil {
		return err
	}
	if in != nil {
		r.in = in
		r.seek, r.end, r.atEnd = nil, 0, false
		return nil
	}
	if i := bytes.IndexByte(b, 0); i >= 0 {
		return r.binary(i)
	}
	return nil
}

// decoded converts what begins with the bytes b, read before the rest, if it is UTF-16 with a mark; nil: it is to be read as it is.
func decoded(b []byte, rest io.Reader) (io.Reader, error) {
	switch {
	case bytes.HasPrefix(b, []byte{0xff, 0xfe}) || bytes.HasPrefix(b, []byte{0xfe, 0xff}):
		return &utf16Reader{in: bufio.NewReader(rest), first: append([]byte(nil), b[2:]...), little: b[0] == 0xff}, nil
	case bytes.HasPrefix(b, []byte{0x1f, 0x8b}):
		return nil, &Error{Line: 1, Column: 1, Text: "the file is compressed by gzip", Expected: "text", Hint: "name it .gz, or decompress it first"}
	case bytes.HasPrefix(b, []byte("PK\x03\x04")):
		return nil, &Error{Line: 1, Column: 1, Text: "the file is a zip archive or a spreadsheet's own format", Expected: "text", Hint: "save it as CSV, or take the log out of the archive"}
	case len(b) == 4 && (b[0] == 0) != (b[1] == 0) && (b[0] == 0) == (b[2] == 0) && (b[1] == 0) == (b[3] == 0):
		return nil, &Error{Line: 1, Column: 1, Text: "the file looks like UTF-16 without a mark", Expected: "UTF-8 or ASCII text", Hint: "save it as UTF-8"}
	}
	return nil, nil
}

// Text returns the whole of a log as lines that end in LF, however it is encoded. One of more than most bytes, once it is unpacked, is refused.
// Size is how many bytes are likely to come, 0 if nothing is known of it.
func Text(in io.Reader, size, most int64) (string, error) {
	head := make([]byte, encodingMark)
	n, err := io.ReadFull(in, head)
	if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
		return "", err
	}
	all, err := decoded(head[:n], in)
	if err != nil {
		return "", err
	}
	if all == nil {
		all = io.MultiReader(bytes.NewReader(head[:n]), in)
	}
	var b strings.Builder
	b.Grow(int(max(0, min(size, most+1))))
	if n, err := io.Copy(&b, io.LimitReader(all, most+1)); err != nil {
		return "", err
	} else if n > most {
		return "", &Error{Line: strings.Count(b.String(), "\n") + 1, Text: fmt.Sprintf("the log goes on beyond %d MB", most/1e6), Expected: "the log of one run",
			Hint: "for a long log of a real test there is audit, which reads it piece by piece"}
	}
	text := b.String()
	if strings.IndexByte(text, '\n') < 0 {
		text = strings.ReplaceAll(text, "\r", "\n")
	}
	return text, nil
}

// binary refuses a NUL byte at an index of the buffer.
func (r *Reader) binary(at int) error {
	before := r.buffer[r.start:at]
	line := r.line + bytes.Count(before, []byte{r.eol})
	column := len(before) - (bytes.LastIndexByte(before, r.eol) + 1) + 1
	return &Error{Line: line + 1, Column: column, Text: "a NUL byte stands in the log", Expected: "text",
		Hint: "a card that lost power while it was written may hold such blocks: cut them out, or read the file up to there"}
}

// take cuts the next line off the buffer; false at the end of what is there.
func (r *Reader) take() ([]byte, bool, error) {
	b := r.buffer[r.start:r.end]
	if len(b) == 0 {
		return nil, false, nil
	}
	n := bytes.IndexByte(b, r.eol)
	if n < 0 && r.opts.Follow && r.atEnd && len(b) <= maxLine {
		return nil, false, nil
	}
	whole := n >= 0
	if !whole {
		n = len(b)
	}
	if n > maxLine {
		return nil, false, tooLong(r.line)
	}
	r.assembler.unfinished = !whole
	r.start += min(n+1, len(b))
	return b[:n], true, nil
}

func tooLong(line int) error {
	return &Error{Line: line + 1, Column: maxLine, Text: fmt.Sprintf("the line is longer than %d bytes", maxLine), Expected: "one row a line",
		Hint: "lines end in LF, CR LF or CR"}
}

// look shows the lines in the buffer. The next unread one is line r.line.
func (r *Reader) look(from int) source {
	var s source
	rest, at := r.buffer[r.start:r.end], r.line
	if r.assembler != nil { // the line that is being pushed has been taken already
		at++
	}
	if from < at {
		back := r.start - 1
		for back > r.low && r.buffer[back-1] != r.eol {
			back--
		}
		if back >= r.low && from == at-1 {
			rest, at = r.buffer[back:r.end], from
		}
	}
	for len(rest) > 0 && len(s.first) < sniffLines {
		n := bytes.IndexByte(rest, r.eol)
		if n < 0 {
			if !r.atEnd || r.opts.Follow {
				if n = len(rest); n <= maxLine {
					break
				}
			}
			n = len(rest)
		}
		if n > maxLine {
			r.long = at + 1
			break
		}
		s.first = append(s.first, numbered{at, trimLine(rest[:n], at)})
		rest = rest[min(n+1, len(rest)):]
		at++
	}
	s.all = func(yield func(numbered) bool) { r.all(s.first, yield) }
	return s
}

// all shows the lines of the buffer and, if the input can be searched, all others.
func (r *Reader) all(first []numbered, yield func(numbered) bool) {
	for _, l := range first {
		if !yield(l) {
			return
		}
	}
	if r.seek == nil || len(first) == 0 {
		return
	}
	r.prefetch.settle() // it reads the same file
	here, err := r.seek.Seek(0, io.SeekCurrent)
	if err != nil {
		return
	}
	if _, err := r.seek.Seek(r.begin, io.SeekStart); err == nil {
		from, at, long := first[len(first)-1].at, 0, false
		lines := bufio.NewReaderSize(r.in, maxLine)
		for {
			b, err := lines.ReadSlice(r.eol)
			if err == bufio.ErrBufferFull {
				long = true
				continue
			}
			if n := len(b); n > 0 && b[n-1] == r.eol {
				b = b[:n-1]
			}
			if at > from && !long && !yield(numbered{at, trimLine(b, at)}) || err != nil {
				break
			}
			at, long = at+1, false
		}
	}
	if _, err := r.seek.Seek(here, io.SeekStart); err != nil {
		r.failed = err
	}
}

// utf16Reader converts UTF-16 to UTF-8.
type utf16Reader struct {
	in     *bufio.Reader
	first  []byte // read before the rest
	little bool
	left   []byte
}

func (u *utf16Reader) Read(p []byte) (int, error) {
	n := 0
	for n < len(p) {
		if len(u.left) > 0 {
			k := copy(p[n:], u.left)
			u.left = u.left[k:]
			n += k
			continue
		}
		c, err := u.unit()
		if err != nil {
			if n > 0 && err == io.EOF {
				return n, nil
			}
			return n, err
		}
		if utf16.IsSurrogate(c) {
			low, err := u.unit()
			if err != nil && err != io.EOF {
				return n, err
			}
			c = utf16.DecodeRune(c, low)
		}
		u.left = []byte(string(c))
	}
	return n, nil
}

func (u *utf16Reader) unit() (rune, error) {
	var b [2]byte
	if n := copy(b[:], u.first); n == 2 {
		u.first = u.first[2:]
	} else if _, err := io.ReadFull(u.in, b[:]); err != nil {
		if err == io.ErrUnexpectedEOF {
			err = io.EOF
		}
		return 0, err
	}
	if u.little {
		b[0], b[1] = b[1], b[0]
	}
	return rune(b[0])<<8 | rune(b[1]), nil
}
