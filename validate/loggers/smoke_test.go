package loggers

import "testing"

func TestSmoke(t *testing.T) {
	names := map[string]bool{}
	for _, d := range append(Defects(), Healthy()...) {
		if names[d.Name] {
			t.Error("twice", d.Name)
		}
		names[d.Name] = true
	}
	t.Log(len(Defects()), len(Healthy()))
}
