package lesson_test

import (
	"context"
	"os"
	"stuntcell/scenarios"
	"testing"
)

func TestSee(t *testing.T) {
	for _, l := range scenarios.Lessons() {
		o, err := l.Run(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		println("=====", l.Name)
		if err := o.Picture.Text(os.Stdout, 80); err != nil {
			t.Error(err)
		}
		f, _ := os.Create("/tmp/lessons-w/" + l.Name + ".svg")
		o.Picture.SVG(f)
		f.Close()
		g, _ := os.Create("/tmp/lessons-w/" + l.Name + ".png")
		o.Picture.PNG(g)
		g.Close()
	}
}
