package logfile

import (
	"bytes"
	"io"
)

// ahead is what workers read ahead of Next: pieces of the buffer, in order, each with the plain rows that it begins with. What a
// worker reads depends on nothing but the piece and the header that it was told, so that it is what Next itself would have
// read; if another header has come since then, the pieces are read anew.
type ahead struct {
	queue []*piece
	spare []*piece
}

// piece is a part of the buffer, whole lines, that a worker reads.
type piece struct {
	begin, end int // in the buffer
	headers    int // of the assembler when the worker began
	rows       quickRows
	used, n    int // bytes and rows that were read
	done       chan struct{}
}

const (
	pieceSize   = 128 << 10
	pieceRows   = 16 << 10
	largeBuffer = 4 << 20
)

// adopt makes the rows of the next piece the batch and lets workers go on. It reports whether the batch is complete: not if there is no
// piece yet, or if a line of it that is not plain has to be read first.
func (r *Reader) adopt() bool {
	a := &r.ahead
	if len(a.queue) > 0 && a.queue[0].headers != r.assembler.headers {
		a.drop()
	}
	if len(a.queue) == 0 {
		r.dispatch(r.start)
	}
	if len(a.queue) == 0 || a.queue[0].begin > r.start {
		return false
	}
	p := a.queue[0]
	a.queue = append(a.queue[:0], a.queue[1:]...)
	<-p.done
	p.rows.swap(&r.table)
	a.spare = append(a.spare, p)
	r.assembler.took(r.line, p.n)
	r.start += p.used
	r.line += p.n
	r.dispatch(p.end)
	return r.start == p.end
}

// dispatch hands pieces of the buffer to workers, as many as may wait, from the last one on or from a place in it.
func (r *Reader) dispatch(from int) {
	a := &r.ahead
	if n := len(a.queue); n > 0 {
		from = a.queue[n-1].end
	}
	size := pieceSize
	if r.opts.piece > 0 {
		size = r.opts.piece
	}
	most := r.end
	if !r.atEnd {
		most -= lookahead // the buffer does not move while a piece of it is being read
	}
	for len(a.queue) < 2*r.opts.Workers && from < most {
		n := bytes.LastIndexByte(r.buffer[from:min(from+size, most)], r.eol)
		if n < 0 {
			return
		}
		p := a.free()
		if !p.rows.aim(r.assembler.layout, r.assembler.target, &r.table) {
			return
		}
		p.begin, p.end, p.headers = from, from+n+1, r.assembler.headers
		a.queue = append(a.queue, p)
		go p.read(r.buffer[p.begin:p.end], r.eol)
		from = p.end
	}
}

func (p *piece) read(lines []byte, eol byte) {
	p.rows.clear()
	p.used, p.n = p.rows.rows(lines, eol, min(pieceRows, batchCells/max(1, len(p.rows.columns))))
	p.done <- struct{}{}
}

// free returns a piece that nobody uses.
func (a *ahead) free() *piece {
	if n := len(a.spare); n > 0 {
		p := a.spare[n-1]
		a.spare = a.spare[:n-1]
		return p
	}
	return &piece{done: make(chan struct{}, 1)}
}

// drop gives up what was read ahead.
func (a *ahead) drop() {
	for _, p := range a.queue {
		<-p.done
	}
	a.spare, a.queue = append(a.spare, a.queue...), a.queue[:0]
}

// limit is how far Next may read by itself: to the first piece, or to the end of the buffer.
func (a *ahead) limit(end int) int {
	if len(a.queue) > 0 {
		return a.queue[0].begin
	}
	return end
}

// prefetch reads the next buffer while this one is taken apart. The first part of its buffer is left for what the other one has not
// used by then, which is less than lookahead.
type prefetch struct {
	buffer  []byte
	n       int // bytes behind the first part
	nul     int // index of the first NUL byte in the buffer, -1 if there is none
	err     error
	done    chan struct{}
	settled bool
}

func (p *prefetch) read(in io.Reader) {
	p.n, p.nul, p.err = 0, -1, nil
	for idle := 0; p.err == nil && lookahead+p.n < len(p.buffer); {
		var n int
		n, p.err = in.Read(p.buffer[lookahead+p.n:])
		p.n += n
		if idle++; n > 0 {
			idle = 0
		} else if idle > 100 && p.err == nil {
			p.err = io.ErrNoProgress
		}
	}
	if i := bytes.IndexByte(p.buffer[lookahead:lookahead+p.n], 0); i >= 0 {
		p.nul = lookahead + i
	}
	p.done <- struct{}{}
}

// settle waits until nothing is being read.
func (p *prefetch) settle() {
	if p != nil && !p.settled {
		<-p.done
		p.settled = true
	}
}

// takePrefetched goes on in the buffer that was read meanwhile, and lets the next one be read.
func (r *Reader) takePrefetched() error {
	p := r.prefetch
	p.settle()
	begin := lookahead - (r.end - r.start)
	copy(p.buffer[begin:], r.buffer[r.start:r.end])
	r.buffer, p.buffer = p.buffer, r.buffer
	r.low, r.start, r.end = begin, begin, lookahead+p.n
	r.atEnd = p.err == io.EOF
	switch {
	case p.nul >= 0:
		return r.binary(p.nul)
	case p.err != nil && !r.atEnd:
		return p.err
	case !r.atEnd:
		p.settled = false
		go p.read(r.in)
	}
	return nil
}
