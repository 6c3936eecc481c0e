package page

import (
	"crypto/rand"
	"sync"
)

// shelf keeps the latest things of a kind under names that nobody can guess.
type shelf[T any] struct {
	mu    sync.Mutex
	most  int
	names []string // oldest first
	kept  map[string]T
}

func newShelf[T any](most int) *shelf[T] {
	return &shelf[T]{most: most, kept: map[string]T{}}
}

// name draws a name.
func (*shelf[T]) name() string { return rand.Text() }

// put keeps a thing; beyond the bound the oldest that may go is dropped.
func (s *shelf[T]) put(name string, v T, mayGo func(T) bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.names, s.kept[name] = append(s.names, name), v
	for i := 0; len(s.names) > s.most && i < len(s.names)-1; {
		if old := s.names[i]; mayGo(s.kept[old]) {
			delete(s.kept, old)
			s.names = append(s.names[:i], s.names[i+1:]...)
			continue
		}
		i++
	}
}

func (s *shelf[T]) get(name string) (T, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	v, ok := s.kept[name]
	return v, ok
}

// all lists what is kept, oldest first.
func (s *shelf[T]) all() []T {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := make([]T, 0, len(s.names))
	for _, n := range s.names {
		out = append(out, s.kept[n])
	}
	return out
}
