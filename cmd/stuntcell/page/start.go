package page

import "net/http"

func (s *Server) start(w http.ResponseWriter, _ *http.Request) error {
	s.show(w, http.StatusOK, "start", view{Title: "Start", Here: "/"})
	return nil
}
