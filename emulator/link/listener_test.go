package link

import (
	"bytes"
	"reflect"
	"strings"
	"testing"
)

// hears feeds bytes in pieces and returns all that is understood, and the failure that ends it.
func hears(b []byte, piece int) (said []Said, answers int, failure *Failure) {
	var l listener
	for {
		a, err := l.next()
		switch {
		case err != nil:
			return said, answers, err.(*Failure)
		case a != nil:
			said = append(said, a.Said...)
			answers++
		case len(b) == 0:
			return said, answers, nil
		default:
			n := min(piece, len(b))
			l.chunk, b = append([]byte(nil), b[:n]...), b[n:]
		}
	}
}

// What is understood does not depend on how the bytes arrive.
func FuzzListener(f *testing.F) {
	for _, s := range []string{"boot\nok\nrow 1\nok\n", "ok\r\nrow a\r\n\xffok\n", "row x\nrow", "ok\n" + strings.Repeat("y", 3000) + "\nok\n",
		strings.Repeat("z", 1025) + "\nok\n", "ok\nmine tick_bits=16\nok\n"} {
		f.Add([]byte(s), 1)
		f.Add([]byte(s), 700)
	}
	f.Fuzz(func(t *testing.T, b []byte, piece int) {
		piece = 1 + max(piece, -piece)&0xfff
		aSaid, aCount, aFailure := hears(b, len(b)+1)
		bSaid, bCount, bFailure := hears(b, piece)
		if !reflect.DeepEqual(aSaid, bSaid) || aCount != bCount || (aFailure == nil) != (bFailure == nil) {
			t.Fatalf("%q in pieces of %d: %+v, %d, %v; whole: %+v, %d, %v", b, piece, bSaid, bCount, bFailure, aSaid, aCount, aFailure)
		}
		if aFailure != nil && (aFailure.Kind != Garbled || bFailure.Kind != Garbled) {
			t.Fatalf("%q: %+v, %+v", b, aFailure, bFailure)
		}
		if bytes.Count(b, []byte("\n")) < aCount {
			t.Fatalf("%d answers in %q", aCount, b)
		}
	})
}

func FuzzWords(f *testing.F) {
	for _, s := range []string{`./logger -v "a b" 'c'`, `a\ b`, `{here}/x`, `"`, `\`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		words, err := Words(s, "/here")
		if (err == nil) != (len(words) > 0) {
			t.Fatalf("%q: %q, %v", s, words, err)
		}
	})
}
