package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"stuntcell/model"
	"stuntcell/scenarios"
	"stuntcell/scenarios/lesson"
)

type learnOptions struct {
	answer, plot, sheet, export string
	try, noProgress, json       bool
}

func newLearn(std streams) *cobra.Command {
	var o learnOptions
	cmd := &cobra.Command{
		Use:   "learn [LESSON | FILE.yaml]",
		Short: "Lessons: predict, run, see, and be told why",
		Long: `Lessons on why a capacity figure is what it is, or is not what it should be.
Without an argument they are listed, with what you have done so far. With one,
the question is put, and on a terminal you are asked what you expect. Then it
runs in simulation: the figures, a picture and the reason are shown beside your
prediction.

What you predicted is kept on this machine only, in your configuration folder;
--export writes it as a table for a teacher. --sheet writes a lesson as pages to
print. A lesson of your own is a file: stuntcell show --schema lesson completes
it in an editor, stuntcell show two-clocks is one to start from.`,
		Example: `  stuntcell learn
  stuntcell learn two-clocks
  stuntcell learn two-clocks --answer '6 min' --plot clocks.svg
  stuntcell learn two-clocks --try
  stuntcell learn two-clocks --sheet sheet.html`,
		Args:              operands(0, 1, "at most one lesson"),
		ValidArgsFunction: completeOne(lesson.Names),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := o.check(cmd, args); err != nil {
				return err
			}
			if len(args) == 0 {
				return runLessons(std, o)
			}
			return runLearn(cmd.Context(), std, o, args[0])
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.answer, "answer", "", "predict `ANSWER`: a letter, or a number with its unit")
	f.BoolVar(&o.try, "try", false, "run the lesson's variation")
	f.BoolVar(&o.json, "json", false, "write what came of it as one JSON object on one line; nobody is asked")
	f.StringVar(&o.plot, "plot", "", "draw the picture to `FILE.svg` or FILE.png")
	f.StringVar(&o.sheet, "sheet", "", "write the lesson to print, with a page for the teacher, to `FILE.html`")
	f.StringVar(&o.export, "export", "", "write your progress to `FILE.csv`; - is standard output")
	f.BoolVar(&o.noProgress, "no-progress", false, "neither read nor keep your progress")
	cmd.MarkFlagsMutuallyExclusive("answer", "try")
	cmd.MarkFlagsMutuallyExclusive("answer", "sheet")
	cmd.MarkFlagsMutuallyExclusive("try", "sheet")
	cmd.MarkFlagsMutuallyExclusive("plot", "sheet")
	cmd.MarkFlagsMutuallyExclusive("json", "sheet")
	cmd.MarkFlagsMutuallyExclusive("export", "no-progress")
	return cmd
}

// check refuses flags that do nothing beside what they are with.
func (o *learnOptions) check(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		for _, name := range []string{"answer", "try", "json", "plot", "sheet"} {
			if cmd.Flags().Changed(name) {
				return usagef("stuntcell learn lists the lessons", "--%s: expected a lesson with it", name)
			}
		}
		return nil
	}
	if o.export != "" {
		return usagef("stuntcell learn --export progress.csv", "--export is of all lessons: expected none with it")
	}
	return checkPicture(o.plot)
}

// runLessons lists the lessons, or writes the progress.
func runLessons(std streams, o learnOptions) error {
	p := &progress{}
	if !o.noProgress {
		var err error
		if p, err = loadProgress(); err != nil && o.export != "" {
			return err
		} else if err != nil {
			fmt.Fprintln(std.err, "progress is not shown:", err)
		}
	}
	switch o.export {
	case "":
	case "-":
		return p.writeCSV(std.out)
	default:
		if err := writeWhole(o.export, p.writeCSV); err != nil {
			return err
		}
		fmt.Fprintln(std.err, "wrote", o.export)
		return nil
	}
	w := bufio.NewWriter(std.out)
	fmt.Fprintln(w, "Lessons. stuntcell learn NAME puts the question.")
	fmt.Fprintln(w)
	width := 0
	for _, name := range lesson.Names() {
		width = max(width, len(name))
	}
	done, right, next := 0, 0, ""
	for _, name := range lesson.Names() {
		mark := ""
		if _, ok := p.Lessons[name]; !ok && next == "" {
			next = name
		}
		if a, ok := p.Lessons[name]; ok {
			done++
			if mark = "done"; a.Right {
				mark = "right"
				right++
			}
		}
		writeWrapped(w, fmt.Sprintf("  %-5s  %-*s  ", mark, width, name), lesson.TitleOf(name))
	}
	if done > 0 {
		fmt.Fprintf(w, "\n%d of %d done, %d as predicted.\n", done, len(lesson.Names()), right)
		if next != "" {
			fmt.Fprintf(w, "Next: stuntcell learn %s\n", next)
		}
	}
	return w.Flush()
}

// readLesson returns a lesson on board, or that of a file.
func readLesson(arg string) (l *lesson.Lesson, own bool, err error) {
	if !strings.HasSuffix(arg, ".yaml") && !strings.ContainsAny(arg, `/\`) {
		l, err := scenarios.Lesson(arg)
		return l, false, err
	}
	data, err := os.ReadFile(arg)
	if err != nil {
		return nil, true, err
	}
	here, err := os.Getwd()
	if err != nil {
		return nil, true, err
	}
	b := bench{here: here}
	l, err = scenarios.ParseLesson(arg, data, scenarios.Env{Open: b.open})
	return l, true, err
}

func runLearn(ctx context.Context, std streams, o learnOptions, arg string) error {
	l, own, err := readLesson(arg)
	if err != nil {
		return err
	}
	if o.sheet != "" {
		if err := writeWhole(o.sheet, func(w io.Writer) error { return l.Sheet(ctx, w) }); err != nil {
			return err
		}
		fmt.Fprintln(std.err, "wrote", o.sheet)
		return nil
	}
	if o.try {
		return runVariation(ctx, std, o, l, arg)
	}
	predicted, err := predict(ctx, std, o, l)
	if err != nil {
		return err
	}
	out, err := l.Run(ctx)
	if err != nil {
		return err
	}
	if err := tell(std, o, out, predicted, func(w io.Writer) { writeOutcome(w, out, predicted, arg, o.plot == "") }); err != nil {
		return err
	}
	switch {
	case predicted == nil:
		fmt.Fprintln(std.err, "Nothing was predicted. On a terminal you are asked first; --answer predicts anywhere.")
	case !o.noProgress:
		if err := record(l, own, *predicted, out); err != nil {
			fmt.Fprintln(std.err, "progress is not kept:", err)
		}
	}
	return finish(std, o, out)
}

// predict takes the prediction from the command line, else puts the question and on a terminal asks for it; nil: there is none.
func predict(ctx context.Context, std streams, o learnOptions, l *lesson.Lesson) (*lesson.Answer, error) {
	var predicted *lesson.Answer
	if o.answer != "" {
		a, err := l.Predict.Read(o.answer)
		if err != nil {
			return nil, usagef(l.Predict.Ask, "--answer %w", err)
		}
		predicted = &a
	}
	if o.json {
		return predicted, nil
	}
	w := bufio.NewWriter(std.out)
	writeQuestion(w, l)
	if err := w.Flush(); err != nil {
		return nil, err
	}
	if in, ok := std.in.(*os.File); ok && predicted == nil && isTerminal(in) && isTerminal(std.out) {
		return ask(ctx, std, in, l)
	}
	return predicted, nil
}

func runVariation(ctx context.Context, std streams, o learnOptions, l *lesson.Lesson, arg string) error {
	if !l.Varies() {
		return usagef("stuntcell learn "+arg, "the lesson %s has no variation to try", l.Name)
	}
	out, err := l.RunVariation(ctx)
	if err != nil {
		return err
	}
	if err := tell(std, o, out, nil, func(w io.Writer) { writeVariation(w, out, o.plot == "") }); err != nil {
		return err
	}
	return finish(std, o, out)
}

// tell writes an outcome as text, or as JSON.
func tell(std streams, o learnOptions, out *lesson.Outcome, predicted *lesson.Answer, text func(io.Writer)) error {
	if o.json {
		return out.JSON(std.out, predicted)
	}
	w := bufio.NewWriter(std.out)
	text(w)
	return w.Flush()
}

// finish draws the picture if it is wanted, and reports a stated value that the simulation does not agree with.
func finish(std streams, o learnOptions, out *lesson.Outcome) error {
	if o.plot != "" {
		if err := writePicture(std, o.plot, out.Picture); err != nil {
			return err
		}
	}
	if slices.ContainsFunc(out.Checks, func(c lesson.Checked) bool { return !c.OK }) {
		return checksFailed
	}
	return nil
}

// ask asks on a terminal until the answer can be read. The end of the input means none.
func ask(ctx context.Context, std streams, in io.Reader, l *lesson.Lesson) (*lesson.Answer, error) {
	type line struct {
		text string
		err  error
	}
	lines := make(chan line, 1)
	r := bufio.NewReader(in)
	for {
		fmt.Fprint(std.out, "> ")
		// A read of a terminal cannot be interrupted; the process ends beside it.
		go func() {
			text, err := r.ReadString('\n')
			lines <- line{text, err}
		}()
		var got line
		select {
		case <-ctx.Done():
			return nil, context.Cause(ctx)
		case got = <-lines:
		}
		if got.err != nil && strings.TrimSpace(got.text) == "" {
			fmt.Fprintln(std.out)
			if errors.Is(got.err, io.EOF) {
				return nil, nil
			}
			return nil, got.err
		}
		a, err := l.Predict.Read(got.text)
		if err == nil {
			return &a, nil
		}
		fmt.Fprintln(std.out, err)
	}
}

// writeParagraphs writes paragraphs, each followed by an empty line.
func writeParagraphs(w io.Writer, text ...string) {
	for _, p := range text {
		writeWrapped(w, "", p)
		fmt.Fprintln(w)
	}
}

// writeItems writes a list under a heading, each item beginning with a dash.
func writeItems(w io.Writer, heading string, items []string) {
	if len(items) == 0 {
		return
	}
	fmt.Fprintln(w, heading)
	for _, item := range items {
		writeWrapped(w, "  - ", item)
	}
	fmt.Fprintln(w)
}

// writeQuestion puts the question: the situation, and what is asked.
func writeQuestion(w io.Writer, l *lesson.Lesson) {
	fmt.Fprintf(w, "%s\n%s\n\n", l.Title, lesson.Notice)
	writeParagraphs(w, l.Asked()...)
	p := &l.Predict
	if len(p.Choices) == 0 {
		writeWrapped(w, "", fmt.Sprintf("%s (in %s)", p.Ask, unitName(p.Unit)))
		return
	}
	writeWrapped(w, "", p.Ask)
	for _, c := range p.Choices {
		writeWrapped(w, "  "+c.Letter+"  ", c.Text)
	}
}

// unitName is how a unit is said; the empty one is a plain number.
func unitName(unit string) string {
	if unit == "" {
		return "a number"
	}
	return unit
}

// writeOutcome tells what came of it: the answer beside the prediction, the figures, the picture, the reason, what comes next.
func writeOutcome(w io.Writer, out *lesson.Outcome, predicted *lesson.Answer, arg string, sketch bool) {
	l := out.Lesson
	fmt.Fprintln(w)
	answer := out.Answer.Label + ": " + out.Answer.String()
	if c := out.RightChoice(); c != nil {
		answer = c.Letter + ", " + c.Text + " (" + answer + ")"
	}
	writeWrapped(w, "It is       ", answer)
	if predicted != nil {
		verdict := "not so"
		if out.Holds(*predicted) {
			verdict = "right"
		}
		if within := l.Predict.Tolerance(); within != "" {
			verdict += " (" + within + " either way counts)"
		}
		writeWrapped(w, "You said    ", predicted.Text+": "+verdict)
	}
	fmt.Fprintln(w)
	writeFigures(w, out)
	if sketch {
		writeSketch(w, out)
	}
	fmt.Fprintln(w, "Why")
	writeParagraphs(w, out.Why...)
	for _, line := range l.Formula {
		writeFormula(w, line)
	}
	if len(l.Formula) > 0 {
		fmt.Fprintln(w)
	}
	writeItems(w, "Sources", l.Sources)
	writeChecks(w, out)
	if l.Varies() {
		fmt.Fprintln(w, "Try")
		writeParagraphs(w, l.Try.Ask)
		fmt.Fprintf(w, "  stuntcell learn %s --try\n\n", arg)
	}
	writeItems(w, "On a bench", append(l.Cautions, model.Deference()))
}

// writeVariation tells what came of the variation.
func writeVariation(w io.Writer, out *lesson.Outcome, sketch bool) {
	fmt.Fprintf(w, "%s, a variation\n%s\n\n", out.Lesson.Title, lesson.Notice)
	writeParagraphs(w, out.Lesson.Try.Ask)
	writeFigures(w, out)
	if sketch {
		writeSketch(w, out)
	}
	writeParagraphs(w, out.Why...)
	writeChecks(w, out)
}

// writeFormula writes a line as it stands if it fits, for its spaces part its columns.
func writeFormula(w io.Writer, line string) {
	const indent = "    "
	if len([]rune(indent+line)) > 80 {
		writeWrapped(w, indent, line)
		return
	}
	fmt.Fprintln(w, indent+line)
}

func writeFigures(w io.Writer, out *lesson.Outcome) {
	width, numbers := 0, 0
	for _, f := range out.Shown() {
		width, numbers = max(width, len([]rune(f.Label))), max(numbers, len(f.String()))
	}
	for _, f := range out.Shown() {
		fmt.Fprintf(w, "  %-*s  %*s\n", width, f.Label, numbers, f.String())
	}
	fmt.Fprintln(w)
}

func writeSketch(w io.Writer, out *lesson.Outcome) {
	if err := out.Picture.Text(w, 80); err == nil {
		fmt.Fprintln(w)
	}
}

// writeChecks sets what was simulated beside what is stated elsewhere.
func writeChecks(w io.Writer, out *lesson.Outcome) {
	if len(out.Checks) == 0 {
		return
	}
	fmt.Fprintln(w, "Checked")
	for _, c := range out.Checks {
		mark := "ok  "
		if !c.OK {
			mark = "OFF "
		}
		writeWrapped(w, "  "+mark, fmt.Sprintf("%s: %s; stated %s, %s: %s", c.Label, c.Got, c.Stated, c.Within, c.Source))
	}
	fmt.Fprintln(w)
}
