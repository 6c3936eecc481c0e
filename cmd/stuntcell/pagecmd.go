package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"runtime"
	"sync"
	"syscall"

	"github.com/spf13/cobra"

	"stuntcell/emulator/link"

	localpage "stuntcell/cmd/stuntcell/page"
	"stuntcell/emulator/rig"
	"stuntcell/model"
	"stuntcell/scenarios"
	"stuntcell/scenarios/lesson"
	"stuntcell/validate/verdict"
)

type pageOptions struct {
	open bool
	addr string
}

func newPage(std streams) *cobra.Command {
	var o pageOptions
	cmd := &cobra.Command{
		Use:   "page",
		Short: "The local page: rehearse, prove, audit and learn in a browser",
		Long: `The local page: rehearse, prove, audit and learn in a browser on this
machine. It needs no account and no network, and can be read without script.
What is shown is in the address, so that a link or a hand-out opens the same
view; pictures, tables, files and the command line that does the same can be
taken away. It runs until it is interrupted.

It listens on the loopback only, so that nobody else can reach it; another
address is for a network that you trust, such as a classroom's.`,
		Example: `  stuntcell page --open
  stuntcell page --addr 127.0.0.1:9000`,
		Args: operands(0, 0, "flags only"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runPage(cmd.Context(), std, o)
		},
	}
	f := cmd.Flags()
	f.BoolVar(&o.open, "open", false, "open it in the browser")
	f.StringVar(&o.addr, "addr", "127.0.0.1:8275", "listen on `HOST:PORT`; port 0 takes any that is free")
	return cmd
}

func runPage(ctx context.Context, std streams, o pageOptions) error {
	host, _, err := net.SplitHostPort(o.addr)
	if err != nil {
		return usagef("as in --addr 127.0.0.1:9000", "--addr %q: expected HOST:PORT", o.addr)
	}
	b, err := findBench()
	if err != nil {
		return err
	}
	if err := roomFor(2); err != nil {
		return err
	}
	l, _, err := link.ListenTCP(o.addr)
	if errors.Is(err, syscall.EADDRINUSE) {
		return usagef("another page may be open; --addr 127.0.0.1:0 takes any port that is free", "%s is taken", o.addr)
	}
	if err != nil {
		return err
	}
	defer l.Close()
	options := localpage.Options{Tool: version, Bench: &pageBench{bench: b}, Notes: std.err}
	at := *l.Addr().(*net.TCPAddr)
	if !at.IP.IsLoopback() {
		options.Host, options.Open = host, true
		fmt.Fprintf(std.err, "stuntcell: on %s the page can be opened by everybody on that network, under this machine's address\n", l.Addr())
	}
	if at.IP.IsUnspecified() {
		at.IP = net.IPv4(127, 0, 0, 1) // from here
	}
	s, err := localpage.New(options)
	if err != nil {
		return err
	}
	defer s.Close()
	url := "http://" + at.String() + "/"
	fmt.Fprintln(std.out, url)
	if o.open {
		if err := openBrowser(url); err != nil {
			fmt.Fprintf(std.err, "stuntcell: no browser could be started (%v): open the address yourself\n", err)
		}
	}
	if err := s.Serve(ctx, l); err != nil {
		return err
	}
	return interrupted
}

// openBrowser asks the system to show an address.
func openBrowser(url string) error {
	args := []string{"xdg-open", url}
	switch runtime.GOOS {
	case "darwin":
		args[0] = "open"
	case "windows":
		args = []string{"rundll32", "url.dll,FileProtocolHandler", url}
	}
	cmd := exec.Command(args[0], args[1:]...)
	if err := cmd.Start(); err != nil {
		return err
	}
	return cmd.Process.Release()
}

// pageBench is the bench as the page plays on it.
type pageBench struct {
	*bench
	// learning lets one prediction at a time be kept: two tabs may answer at once.
	learning sync.Mutex
}

func (p *pageBench) Env() scenarios.Env { return p.env() }

func (p *pageBench) Suite() []string {
	var files []string
	for _, name := range p.project.Suite {
		if isFile(name) {
			files = append(files, name)
		}
	}
	return files
}

func (p *pageBench) Scenario(name string, env scenarios.Env) (*scenarios.Scenario, error) {
	return p.scenarioIn(name, env)
}

func (p *pageBench) Pack(name string) (*model.Pack, error) { return p.packNamed(name) }

func (p *pageBench) Rig(name string) (rig.Rig, error) { return p.rigNamed(name) }

func (p *pageBench) Own() string { return p.project.Logger }

// Prove implements [localpage.Bench].
func (p *pageBench) Prove(ctx context.Context, logger string, sc *scenarios.Scenario) (*verdict.Verdict, error) {
	c := choice{timeout: answerTimeout}
	switch logger {
	case localpage.OwnLogger:
	case localpage.GoodLogger:
		c.good = true
	default:
		c.defect = logger
	}
	contender, err := c.choose(streams{}, p.bench)
	if err != nil {
		return nil, err
	}
	prover := prover{logger: contender, temp: os.TempDir(), columns: p.project.Columns}
	done, err := prover.run(ctx, entry{name: sc.Name, sc: sc})
	if err != nil {
		return nil, err
	}
	return done.verdict, nil
}

// Learned implements [localpage.Bench].
func (p *pageBench) Learned() (map[string]bool, error) {
	p.learning.Lock()
	defer p.learning.Unlock()
	kept, err := loadProgress()
	if err != nil {
		return nil, err
	}
	out := map[string]bool{}
	for name, a := range kept.Lessons {
		out[name] = a.Right
	}
	return out, nil
}

// Predicted implements [localpage.Bench].
func (p *pageBench) Predicted(l *lesson.Lesson, a lesson.Answer, o *lesson.Outcome) error {
	p.learning.Lock()
	defer p.learning.Unlock()
	return record(l, false, a, o)
}

// Progress implements [localpage.Bench].
func (p *pageBench) Progress(w io.Writer) error {
	p.learning.Lock()
	defer p.learning.Unlock()
	kept, err := loadProgress()
	if err != nil {
		return err
	}
	return kept.writeCSV(w)
}
