package page

import (
	"net"
	"net/http"
	"net/url"
	"strings"
)

// policy is what a page may load and do: its own files, nothing that stands inside of it, nothing from elsewhere.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// guard keeps strangers out. A page from elsewhere that the user has open could send requests here, and could point a name of its own at
// this machine; it can do neither under our own name and origin.
type guard struct {
	host string // a name beside those of the loopback, empty: none
	open bool   // any address of this machine will do, not only the loopback's
}

// protect wraps a handler.
func (g guard) protect(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		head := w.Header()
		head.Set("Content-Security-Policy", policy)
		head.Set("X-Content-Type-Options", "nosniff")
		head.Set("Referrer-Policy", "same-origin")
		head.Set("Cross-Origin-Opener-Policy", "same-origin")
		head.Set("Cross-Origin-Resource-Policy", "same-origin")
		head.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		if why := g.refuse(r); why != "" {
			http.Error(w, why, http.StatusForbidden)
			return
		}
		h.ServeHTTP(w, r)
	})
}

// refuse says why a request is not answered, or "".
func (g guard) refuse(r *http.Request) string {
	if !g.knows(r.Host) {
		return "stuntcell page: not under this name; open it as 127.0.0.1 or localhost"
	}
	if origin := r.Header.Get("Origin"); origin != "" && !sameOrigin(origin, r.Host) {
		return "stuntcell page: not from a page of another origin"
	}
	safe := r.Method == http.MethodGet || r.Method == http.MethodHead
	switch r.Header.Get("Sec-Fetch-Site") {
	case "cross-site", "same-site":
		// A link elsewhere may open a view, and nothing else.
		if !safe || r.Header.Get("Sec-Fetch-Mode") != "navigate" {
			return "stuntcell page: not from a page of another origin"
		}
	}
	return ""
}

// knows says whether a Host header names this machine.
func (g guard) knows(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.TrimSuffix(strings.TrimPrefix(name, "["), "]")
	if strings.EqualFold(name, "localhost") || g.host != "" && strings.EqualFold(name, g.host) {
		return true
	}
	// A number cannot be pointed anywhere else, as a name can.
	ip := net.ParseIP(name)
	return ip != nil && (g.open || ip.IsLoopback())
}

// sameOrigin compares an Origin header with the Host that was asked.
func sameOrigin(origin, host string) bool {
	u, err := url.Parse(origin)
	return err == nil && u.Scheme == "http" && strings.EqualFold(u.Host, host)
}
