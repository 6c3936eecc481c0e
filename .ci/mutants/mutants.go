// Mutants plants mistakes in the judge, the rig and the model, one at a time, and says which of them no test sees.
//
//	go run .ci/mutants/mutants.go [-list .ci/mutants/list] [-only TEXT] [-shard I/N] [-most N] [-quick] [-check]
//
// Each block of the list begins with `@ FILE` and the arguments of `go test` that are to see a mistake in it; each line after it is
// `OLD => NEW`, where OLD stands in the file exactly once; ` ## WHY` behind it explains one that is known to survive. The tree is not
// touched: the compiler is given an overlay. A mutant that survives those tests is tried with all tests of their packages (-quick: it is
// not). Exit status 1 if fewer than 95 in 100 are seen and a survivor has no explanation, 2 if the list does not fit the tree.
package main

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// mutant is one planted mistake.
type mutant struct {
	file, from, to, why string
	tests               []string
}

func main() {
	list := flag.String("list", ".ci/mutants/list", "file of mutants")
	only := flag.String("only", "", "only mutants with this text in file or line")
	shard := flag.String("shard", "1/1", "only part I/N of them")
	most := flag.Int("most", 0, "so many of them, evenly over the list (0: all)")
	quick := flag.Bool("quick", false, "with the tests named in the list only")
	check := flag.Bool("check", false, "hold the list to the tree and run nothing")
	flag.Parse()
	if *check {
		*only = "\x00"
	}
	if err := run(*list, *only, *shard, *most, *quick); err != nil {
		fmt.Fprintln(os.Stderr, err)
		if errors.Is(err, errSurvivors) {
			os.Exit(1)
		}
		os.Exit(2)
	}
}

var errSurvivors = errors.New("more than 5 in 100 survive, or one survives without an explanation")

func run(list, only, shard string, most int, quick bool) error {
	mutants, err := read(list)
	if err != nil {
		return err
	}
	var part, parts int
	if _, err := fmt.Sscanf(shard, "%d/%d", &part, &parts); err != nil || part < 1 || part > parts {
		return fmt.Errorf("-shard %q: expected I/N with 1 <= I <= N", shard)
	}
	temp, err := os.MkdirTemp("", "mutants-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(temp)
	whole := map[string]bool{} // test arguments that hold without a mutant
	killed, total, unexplained := 0, 0, 0
	var unfit []error
	every := 1
	if most > 0 {
		every = (len(mutants) + most - 1) / most
	}
	for i, m := range mutants {
		if i%every != 0 || i/every%parts != part-1 || !strings.Contains(m.file+" "+m.from, only) {
			continue
		}
		packages := slices.DeleteFunc(slices.Clone(m.tests), func(arg string) bool { return !strings.HasPrefix(arg, "./") })
		tries := [][]string{m.tests, packages}
		if quick {
			tries = tries[:1]
		}
		for _, args := range tries {
			key := strings.Join(args, " ")
			if !whole[key] {
				if holds, out := test("", args); !holds {
					return fmt.Errorf("without a mutant `go test %s` fails:\n%s", key, out)
				}
				whole[key] = true
			}
		}
		begun := time.Now()
		result, err := try(m, tries, temp)
		if err != nil {
			unfit = append(unfit, err)
			continue
		}
		total++
		switch {
		case result == "seen":
			killed++
		case m.why != "":
			result += ": " + m.why
		default:
			unexplained++
		}
		fmt.Printf("%-28s %4.0f s  %-32s %.70s => %.40s\n", m.file, time.Since(begun).Seconds(), result, strings.TrimSpace(m.from), strings.TrimSpace(m.to))
	}
	if total == 0 && len(unfit) == 0 {
		fmt.Printf("%d mutants fit the tree\n", len(mutants))
		return nil
	}
	fmt.Printf("%d of %d mutants are seen by a test, %d survive without an explanation\n", killed, total, unexplained)
	if len(unfit) > 0 {
		return errors.Join(unfit...)
	}
	if unexplained > 0 && 100*killed < 95*total {
		return errSurvivors
	}
	return nil
}

// read reads the list and holds each mutant to the tree.
func read(list string) ([]mutant, error) {
	text, err := os.ReadFile(list)
	if err != nil {
		return nil, err
	}
	var all []mutant
	var problems []error
	file, source := "", ""
	var tests []string
	for n, line := range strings.Split(string(text), "\n") {
		fail := func(what string) { problems = append(problems, fmt.Errorf("%s:%d: %s", list, n+1, what)) }
		switch {
		case strings.TrimSpace(line) == "" || strings.HasPrefix(line, "#"):
		case strings.HasPrefix(line, "@ "):
			words := strings.Fields(line)
			if len(words) < 3 {
				fail("expected `@ FILE` and arguments of go test")
				continue
			}
			file, tests = words[1], words[2:]
			b, err := os.ReadFile(file)
			if err != nil {
				fail(err.Error())
			}
			source = string(b)
		default:
			from, to, ok := strings.Cut(line, " =>")
			to, why, _ := strings.Cut(strings.TrimPrefix(to, " "), " ## ")
			if !ok || file == "" {
				fail("expected `OLD => NEW` after an `@ FILE`")
				continue
			}
			if count := strings.Count(source, from); count != 1 {
				fail(fmt.Sprintf("%q stands in %s %d times, expected once", from, file, count))
			}
			all = append(all, mutant{file, from, to, why, tests})
		}
	}
	return all, errors.Join(problems...)
}

// try plants a mutant and runs its tests, one set after the other until one sees it.
func try(m mutant, tries [][]string, temp string) (string, error) {
	b, err := os.ReadFile(m.file)
	if err != nil {
		return "", err
	}
	mutated, overlay := filepath.Join(temp, "mutated.go"), filepath.Join(temp, "overlay.json")
	if err := os.WriteFile(mutated, []byte(strings.Replace(string(b), m.from, m.to, 1)), 0o666); err != nil {
		return "", err
	}
	abs, err := filepath.Abs(m.file)
	if err != nil {
		return "", err
	}
	o, err := json.Marshal(map[string]map[string]string{"Replace": {abs: mutated}})
	if err != nil {
		return "", err
	}
	if err := os.WriteFile(overlay, o, 0o666); err != nil {
		return "", err
	}
	for _, args := range tries {
		holds, out := test(overlay, args)
		switch {
		case strings.Contains(out, "[build failed]") || strings.Contains(out, "[setup failed]"):
			return "", fmt.Errorf("%s: %q => %q does not compile:\n%s", m.file, m.from, m.to, out)
		case !holds:
			return "seen", nil
		}
	}
	return "SURVIVES", nil
}

// test runs tests, with an overlay if one is named, and says whether they hold.
func test(overlay string, args []string) (bool, string) {
	all := []string{"test", "-vet=off", "-failfast", "-timeout", "10m"}
	if overlay != "" {
		all = append(all, "-overlay", overlay)
	}
	out, err := exec.Command("go", append(all, args...)...).CombinedOutput()
	return err == nil, string(out)
}
