package page

import (
	"net"
	"sync"
)

// limited is a listener with at most so many connections open; more wait until one of them ends.
type limited struct {
	net.Listener
	free   chan struct{}
	closed chan struct{}
	once   sync.Once
}

func newLimited(l net.Listener, most int) *limited {
	return &limited{Listener: l, free: make(chan struct{}, most), closed: make(chan struct{})}
}

// Accept implements [net.Listener].
func (l *limited) Accept() (net.Conn, error) {
	select {
	case l.free <- struct{}{}:
	case <-l.closed:
		return nil, net.ErrClosed
	}
	c, err := l.Listener.Accept()
	if err != nil {
		<-l.free
		return nil, err
	}
	return &counted{Conn: c, leave: sync.OnceFunc(func() { <-l.free })}, nil
}

// Close implements [net.Listener].
func (l *limited) Close() error {
	l.once.Do(func() { close(l.closed) })
	return l.Listener.Close()
}

// counted is a connection that says when it has ended.
type counted struct {
	net.Conn
	leave func()
}

// Close implements [net.Conn].
func (c *counted) Close() error {
	defer c.leave()
	return c.Conn.Close()
}
