package link

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"time"
)

// A sealed line ends with ` seq=N crc=HHHH`: N counts the messages after the greeting from 1, HHHH is CRC-16/MODBUS in four upper
// case hex digits over all bytes of the line before ` crc=`. A logger seals an answer once, at its ok: `ok seq=N crc=HHHH`, and its
// CRC goes over the whole answer, from the first byte of its first line, each LF included and CRs left out, to the byte before
// ` crc=`; so a lost line is noticed too. `again N` asks for the answer to message N again; said by the logger it asks for
// message N, which it has not got whole.

// maxAgain is how often one answer is asked for again.
const maxAgain = 10

func appendSeal(dst []byte, from int, seq int64) []byte {
	dst = appendPair(dst, "seq", seq)
	return appendCRC(dst, CRC16(dst[from:]))
}

func appendCRC(dst []byte, crc uint16) []byte {
	const hex = "0123456789ABCDEF"
	dst = append(dst, " crc="...)
	return append(dst, hex[crc>>12], hex[crc>>8&15], hex[crc>>4&15], hex[crc&15])
}

// sealMessage appends the sealed line of a message.
func sealMessage(dst []byte, m *Message, seq int64) []byte {
	from := len(dst)
	dst = m.Append(dst)
	return append(appendSeal(dst[:len(dst)-1], from, seq), '\n')
}

// breakSeal takes the seal off a line without its end; crc goes on from an earlier value. ok is false if it has none or a wrong one.
func breakSeal(line []byte, crc uint16) (rest []byte, seq int64, ok bool) {
	const sealLength = len(" crc=0000")
	if len(line) < sealLength {
		return nil, 0, false
	}
	sealed := line[:len(line)-sealLength]
	if string(appendCRC(nil, crc16(crc, sealed))) != string(line[len(sealed):]) {
		return nil, 0, false
	}
	at := bytes.LastIndex(sealed, []byte(" seq="))
	if at < 0 {
		return nil, 0, false
	}
	seq, err := parseInt(sealed[at+len(" seq="):])
	return sealed[:at], seq, err == nil
}

// askedAgain reads `again N`.
func askedAgain(line []byte) (int64, bool) {
	rest, found := bytes.CutPrefix(line, []byte("again "))
	if !found {
		return 0, false
	}
	n, err := parseInt(rest)
	return n, err == nil
}

// unseal waits for the sealed answer to the message that was sent last, and asks again for one that is damaged or late.
func (b *Board) unseal(ctx context.Context) (*Answer, error) {
	x := b.wire
	deadline := time.Now().Add(b.options.Timeout)
	defer func() { x.unanswered = 0 }()
	var lines []byte
	for tries := 0; ; tries++ {
		x.timer.Reset(min(b.options.Retry, max(0, time.Until(deadline))))
		a, resend, err := b.hear(ctx, &lines)
		if a != nil || err != nil {
			return a, err
		}
		if tries == maxAgain || !time.Now().Before(deadline) {
			if len(lines) > 0 {
				f := garbled(lines, "look at the line: rate, ground, length; or slow it down")
				f.Detail = fmt.Sprintf("no whole answer to message %d, asked for %d times", b.seq, tries+1)
				return nil, f
			}
			return nil, x.hung(fmt.Sprintf("no answer to message %d, asked for %d times within %v", b.seq, tries+1, b.options.Timeout))
		}
		lines = lines[:0]
		if resend {
			x.sendRaw(b.sent)
		} else {
			x.sendRaw(strconv.AppendInt(append([]byte(nil), "again "...), b.seq, 10))
			x.sendRaw([]byte{'\n'})
		}
	}
}

// hear collects lines until a sealed ok. Neither an answer nor an error: it was damaged or late.
func (b *Board) hear(ctx context.Context, lines *[]byte) (a *Answer, resend bool, err error) {
	x := b.wire
	for {
		line, ok, lineErr := x.nextLine()
		if lineErr != nil {
			return nil, false, nil
		}
		if ok {
			line = trimCR(line)
			if n, is := askedAgain(line); is {
				return nil, n == b.seq, nil
			}
			if len(*lines)+len(line) > maxAnswer {
				return nil, false, garbled(line, "end each answer with a line `ok`")
			}
			if !bytes.HasPrefix(line, []byte("ok")) {
				*lines = append(append(*lines, line...), '\n')
				continue
			}
			rest, seq, whole := breakSeal(line, crc16(0xFFFF, *lines))
			switch {
			case !whole || string(rest) != "ok":
				return nil, false, nil
			case seq != b.seq: // the repeated answer to an earlier message
				*lines = (*lines)[:0]
				continue
			}
			return b.open(*lines)
		}
		if x.ended {
			return nil, false, errEnded
		}
		if err := x.wait(ctx); err != nil {
			var f *Failure
			if errors.As(err, &f) {
				return nil, false, nil
			}
			return nil, false, err
		}
	}
}

// open makes an answer of lines whose seal was whole: what is wrong in them the logger wrote so.
func (b *Board) open(lines []byte) (*Answer, bool, error) {
	a := &b.wire.answer
	a.Reset()
	for line := range bytes.Lines(lines) {
		if _, err := a.Take(bytes.TrimSuffix(line, []byte{'\n'})); err != nil {
			return nil, false, err
		}
	}
	b.wire.fresh = true
	return a, false, nil
}

// Sealed is the logger's side of a line that damages bytes, for a logger written in Go: as [Serve], but it says `can seq`, asks for
// messages that come damaged, repeats answers without acting twice, and goes on after `end` with a new logger of the factory at each
// greeting. It returns when the input ends.
func Sealed(r io.Reader, w io.Writer, factory func() Logger) error {
	s := sealedServer{w: w, factory: factory}
	lines := bufio.NewReaderSize(r, 2*MaxLine)
	for {
		line, err := lines.ReadSlice('\n')
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
			continue // the rest of an overlong line is damaged too
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return fmt.Errorf("link: reading the bench's line: %w", err)
		}
		if err := s.take(trimCR(line[:len(line)-1])); err != nil {
			return fmt.Errorf("link: answering: %w", err)
		}
	}
}

type sealedServer struct {
	w       io.Writer
	factory func() Logger
	logger  Logger
	seq     int64  // of the message that was answered last
	answer  []byte // to it
	a       Answer
	m       Message
}

func (s *sealedServer) take(line []byte) error {
	if n, is := askedAgain(line); is && s.logger != nil {
		if n == s.seq && s.seq > 0 {
			return s.write(s.answer)
		}
		return s.ask()
	}
	if ParseMessage(line, &s.m) == nil && s.m.Kind == Greet {
		s.logger, s.seq = s.factory(), 0
		s.a.Reset()
		Deliver(s.logger, &s.m, &s.a)
		s.a.Tell(Can, "seq")
		return s.write(s.a.Append(nil))
	}
	if s.logger == nil {
		return nil // noise before the greeting
	}
	rest, seq, ok := breakSeal(line, 0xFFFF)
	switch {
	case !ok:
		return s.ask()
	case seq == s.seq && seq > 0:
		return s.write(s.answer)
	case seq != s.seq+1 || ParseMessage(rest, &s.m) != nil:
		return s.ask()
	}
	s.seq = seq
	s.a.Reset()
	Deliver(s.logger, &s.m, &s.a)
	b := s.a.Append(s.answer[:0])
	s.answer = append(appendSeal(b[:len(b)-1], 0, seq), '\n')
	return s.write(s.answer)
}

// ask asks for the message that comes next.
func (s *sealedServer) ask() error {
	return s.write(strconv.AppendInt(append([]byte(nil), "again "...), s.seq+1, 10), []byte{'\n'})
}

func (s *sealedServer) write(pieces ...[]byte) error {
	_, err := s.w.Write(bytes.Join(pieces, nil))
	return err
}
