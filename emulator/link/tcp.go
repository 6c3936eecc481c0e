package link

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"syscall"
)

// DialTCP connects to a board or a device at HOST:PORT. The error is an *OpenError, or the context's.
func DialTCP(ctx context.Context, addr string) (net.Conn, error) {
	if _, _, err := net.SplitHostPort(addr); err != nil {
		return nil, &OpenError{addr, errors.New("no HOST:PORT"), "as 127.0.0.1:5025"}
	}
	c, err := new(net.Dialer).DialContext(ctx, "tcp", addr)
	switch {
	case err == nil:
		return c, nil
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case outOfFiles(err):
		return nil, &OpenError{addr, syscall.EMFILE, moreFiles}
	case errors.Is(err, syscall.ECONNREFUSED):
		return nil, &OpenError{addr, errors.New("nobody listens there"), "start the device first, and look at its port number"}
	}
	return nil, &OpenError{addr, plainly(err), "look at the name, the port number and the cable"}
}

// ListenTCP listens at HOST:PORT; an empty HOST is loopback. reachable says that other computers may reach it: then a caution is
// due. The error is an *OpenError.
func ListenTCP(addr string) (l net.Listener, reachable bool, err error) {
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		return nil, false, &OpenError{addr, errors.New("no HOST:PORT"), "as 127.0.0.1:5025"}
	}
	if host == "" {
		host = "127.0.0.1"
	}
	l, err = net.Listen("tcp", net.JoinHostPort(host, port))
	if err != nil {
		hint := listenHint(err, port)
		return nil, false, &OpenError{addr, plainly(err), hint}
	}
	a, ok := l.Addr().(*net.TCPAddr)
	return l, !ok || !a.IP.IsLoopback(), nil
}

// plainly is what is wrong with an address, without the names of calls and without the address, which stands before it.
func plainly(err error) error {
	var cause syscall.Errno
	var name *net.DNSError
	var addr *net.AddrError
	var timeout net.Error
	switch {
	case errors.As(err, &cause):
		return cause
	case errors.As(err, &name) && name.IsNotFound:
		return errors.New("no computer of that name is known")
	case errors.As(err, &name):
		return errors.New("the name service does not answer")
	case errors.As(err, &addr):
		return errors.New(addr.Err)
	case errors.As(err, &timeout) && timeout.Timeout():
		return errors.New("no answer")
	}
	return err
}

func listenHint(err error, port string) string {
	switch {
	case outOfFiles(err):
		return moreFiles
	case errors.Is(err, syscall.EADDRINUSE):
		return "the port is busy: end the program that has it, or choose another (0 takes a free one)"
	case errors.Is(err, syscall.EACCES):
		return "ports below 1024 need a permission of their own: choose a higher one"
	case strings.Contains(err.Error(), "port"):
		return fmt.Sprintf("%q: expected a port number of 0 to 65535", port)
	}
	return "the address must be one of this computer's: 127.0.0.1 is always"
}
