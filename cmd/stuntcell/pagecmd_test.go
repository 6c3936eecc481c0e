package main

import (
	"context"
	"net"
	"os"
	"strings"
	"testing"
)

// A port that is taken is a mistake of the caller's, with a way out.
func TestPageSaysThatThePortIsTaken(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	err = runPage(context.Background(), streams{out: os.Stdout, err: os.Stderr}, pageOptions{addr: l.Addr().String()})
	if status(err) != exitUsage || !strings.Contains(err.Error(), "is taken") {
		t.Errorf("%v, exit status %d", err, status(err))
	}
}
