package page_test

import (
	"strings"
	"testing"

	"stuntcell/cmd/stuntcell/page"
	"stuntcell/scenarios"
	"stuntcell/scenarios/lesson"
)

func TestALessonIsPredictedRunAndTold(t *testing.T) {
	b := bench{learned: &learned{kept: map[string]bool{}}}
	s := newServer(t, page.Options{Bench: b})
	want(t, get(s, "/lessons"), 200, "Two clocks", "0 of 1")
	// Before there is a prediction nothing is given away.
	w := get(s, "/lessons/two-clocks")
	want(t, w, 200, "How far apart are the two clocks", "Predict, and see")
	for _, early := range []string{"Why</h2>", "counter off by", "picture.svg"} {
		if strings.Contains(w.Body.String(), early) {
			t.Errorf("%q is shown before there is a prediction", early)
		}
	}
	w = ask(s, "POST", "/lessons/two-clocks", strings.NewReader("answer=6+min"), "Content-Type", form)
	want(t, w, 303)
	at := w.Header().Get("Location")
	// 0.5 % of 20 h is 360 s, and the other clock is 1.44 s late: 6 min.
	want(t, get(s, at), 200, "You said 6 min", "right", "Why</h2>", "360", "Resonator 0.5 %", "Run the variation", "Local codes", "stuntcell learn two-clocks --answer &#39;6 min&#39;", "The next lesson")
	want(t, get(s, "/lessons/two-clocks?answer=1+h"), 200, "not so")
	want(t, get(s, "/lessons/two-clocks?try=on"), 200, "A variation", "stuntcell learn two-clocks --try")
	want(t, get(s, "/lessons"), 200, "as predicted", "1 of ")
	want(t, get(s, "/lessons/progress.csv"), 200, "lesson,title 1")
	for file, text := range map[string]string{"picture.svg": "<svg", "curves.svg": "<svg", "figures.csv": "figure,value,unit", "sheet.html": "<html", "lesson.yaml": "lesson: two-clocks"} {
		want(t, get(s, "/lessons/two-clocks/"+file), 200, text)
	}
	want(t, get(s, "/lessons/two-clocks/nope"), 404)
	want(t, get(s, "/lessons/two-clock"), 404, "two-clocks?")
	want(t, get(s, "/lessons/two-clocks?answer=soon"), 400, "answer-wrong")
	want(t, ask(s, "POST", "/lessons/two-clocks", strings.NewReader("answer="), "Content-Type", form), 400, "a prediction is missing")
	// On a page that others can open nobody's progress is kept.
	s = newServer(t, page.Options{Bench: b, Open: true})
	want(t, ask(s, "POST", "/lessons/rate", strings.NewReader("answer=80+Ah"), "Content-Type", form), 303)
	want(t, get(s, "/lessons/progress.csv"), 404)
	if len(b.kept) != 1 {
		t.Errorf("%v was kept", b.kept)
	}
}

// Every lesson on board can be shown, with its picture.
func TestEveryLessonIsShown(t *testing.T) {
	if testing.Short() {
		t.Skip("it takes seconds")
	}
	s := newServer(t, page.Options{Bench: bench{learned: &learned{kept: map[string]bool{}}}})
	for _, name := range lesson.Names() {
		l, err := scenarios.Lesson(name)
		if err != nil {
			t.Fatal(err)
		}
		answer := "a"
		if len(l.Predict.Choices) == 0 {
			answer = "1"
		}
		want(t, get(s, "/lessons/"+name+"?answer="+answer), 200, "What came of it", "Why</h2>")
		want(t, get(s, "/lessons/"+name+"/picture.svg?answer="+answer+"&look=dark-narrow"), 200, "<svg")
	}
}
