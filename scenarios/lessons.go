package scenarios

import (
	"fmt"

	"stuntcell/emulator"
	"stuntcell/model/quantity"
	"stuntcell/scenarios/lesson"
)

// ParseLesson reads a lesson file (package lesson says what stands in it). Its runs are those of scenario files, with the packs and rigs
// that env has. The error is quantity.Diagnostics.
func ParseLesson(file string, data []byte, env Env) (*lesson.Lesson, error) {
	return lesson.Parse(file, data, lesson.Runs{
		Within: func(doc *quantity.Document, m *quantity.Map) emulator.Setup { return within(doc, m, env).Setup },
		Names:  Names(),
		ByName: func(name string) (emulator.Setup, error) {
			s, err := ByName(name, env)
			if err != nil {
				return emulator.Setup{}, err
			}
			return s.Setup, nil
		},
		Causes: Causes(),
	})
}

// Lesson returns a lesson on board. The error of an unknown name says which is nearest.
func Lesson(name string) (*lesson.Lesson, error) {
	b := lesson.Source(name)
	if b == nil {
		hint := "stuntcell learn lists them"
		if near := quantity.Nearest(name, lesson.Names()); near != "" {
			hint = near + "?"
		}
		return nil, fmt.Errorf("no lesson %s on board (hint: %s)", quote(name), hint)
	}
	return ParseLesson(name+".yaml", b, Env{})
}

// Lessons returns the lessons on board in the order in which they are meant to be taken. Reading them plays each of their plans once;
// lesson.Names and lesson.TitleOf are for lists.
func Lessons() []*lesson.Lesson {
	var all []*lesson.Lesson
	for _, name := range lesson.Names() {
		l, err := Lesson(name)
		if err != nil {
			panic(err) // embedded and tested
		}
		all = append(all, l)
	}
	return all
}
