package modbus_test

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	client "github.com/simonvetter/modbus"

	"stuntcell/emulator/dialect"
	"stuntcell/emulator/dialect/dialecttest"
	"stuntcell/emulator/dialect/modbus"
	"stuntcell/emulator/instrument"
	"stuntcell/emulator/link"
	"stuntcell/emulator/wire"
	"stuntcell/emulator/wire/wiretest"
	"stuntcell/model/outside"
)

func talk(o modbus.Options) func(testing.TB, *instrument.Bench) dialect.Dialect {
	return func(_ testing.TB, b *instrument.Bench) dialect.Dialect { return modbus.New(o, b) }
}

// rtu is a frame of unit and PDU in hex, with its CRC.
func rtu(body string) string {
	b, err := hex.DecodeString(strings.ReplaceAll(body, " ", ""))
	if err != nil {
		panic(err)
	}
	return string(binary.LittleEndian.AppendUint16(b, link.CRC16(b)))
}

func raw(body string) string {
	b, err := hex.DecodeString(strings.ReplaceAll(body, " ", ""))
	if err != nil {
		panic(err)
	}
	return string(b)
}

func samples() []dialecttest.Sample {
	return []dialecttest.Sample{
		{Request: rtu("01 03 00 00 00 04"), Answer: rtu("01 03 08 0000 0000 0000 0000")},
		{Request: rtu("01 06 00 02 00 01"), Answer: rtu("01 06 00 02 00 01")},
		{Request: rtu("01 10 00 04 00 02 04 3FC0 0000"), Answer: rtu("01 10 00 04 00 02")}, // 1.5 A
		// Exceptions: unknown function; off the map; quantity out of range; value out of range; half of a value.
		{Request: rtu("01 01 00 00 00 01"), Answer: rtu("01 81 01")},
		{Request: rtu("01 2B 0E 01 00"), Answer: rtu("01 AB 01")},
		{Request: rtu("01 03 00 6B 00 03"), Answer: rtu("01 83 02")},
		{Request: rtu("01 04 00 00 00 7D"), Answer: rtu("01 84 02")},
		{Request: rtu("01 03 00 00 00 00"), Answer: rtu("01 83 03")},
		{Request: rtu("01 04 00 00 00 7E"), Answer: rtu("01 84 03")},
		{Request: rtu("01 06 00 00 00 02"), Answer: rtu("01 86 03")},
		{Request: rtu("01 06 00 04 00 02"), Answer: rtu("01 86 03")},
		{Request: rtu("01 06 00 63 00 02"), Answer: rtu("01 86 02")},
		{Request: rtu("01 10 00 04 00 02 04 7FC0 0000"), Answer: rtu("01 90 03")}, // not a number
		{Request: rtu("01 10 00 09 00 02 04 0000 0000"), Answer: rtu("01 90 02")},
		{Request: rtu("01 10 00 08 00 02 04 4480 0000"), Answer: rtu("01 90 03")}, // 1024 A
		{Request: rtu("01 06 00 00 00 01"), Answer: rtu("01 86 03")},              // a source of nothing
		{Request: rtu("01 06 00 01 00 00") + rtu("01 03 00 01 00 01"), Answer: rtu("01 06 00 01 00 00") + rtu("01 03 02 0000")},
		// Another unit, a broadcast, a wrong CRC: nothing is answered.
		{Request: rtu("02 03 00 00 00 01"), Answer: ""},
		{Request: rtu("00 06 00 02 00 01"), Answer: ""},
		{Request: raw("01 03 00 6B 00 03 76 87"), Answer: ""}, // printed in public notes, and wrong: the CRC belongs to unit 17
		// Noise before a frame.
		{Request: "\x00\xff\x55" + rtu("01 06 00 02 00 01"), Answer: rtu("01 06 00 02 00 01")},
	}
}

func TestConforms(t *testing.T) {
	t.Run("rtu", func(t *testing.T) { dialecttest.Run(t, instrument.Stepped, talk(modbus.Options{}), samples()...) })
	t.Run("tcp", func(t *testing.T) {
		dialecttest.Run(t, instrument.Stepped, talk(modbus.Options{TCP: true}),
			dialecttest.Sample{Request: raw("1234 0000 0006 01 06 0002 0001"), Answer: raw("1234 0000 0006 01 06 0002 0001")},
			dialecttest.Sample{Request: raw("0001 0000 0006 01 03 006B 0003"), Answer: raw("0001 0000 0003 01 83 02")},
			dialecttest.Sample{Request: raw("0001 0000 0006 09 03 0000 0003"), Answer: ""},
			dialecttest.Sample{Request: raw("0001 0000 0002 01 03"), Answer: raw("0001 0000 0003 01 83 03")})
	})
}

// TestPublishedFrames: the frames of the specification's example, as they are transcribed in public test suites (crc_modbus.csv), reach unit 17.
func TestPublishedFrames(t *testing.T) {
	d := modbus.New(modbus.Options{First: 0x11}, dialecttest.Bench(t, instrument.Stepped))
	if got, want := string(d.Hear([]byte(raw("11 03 00 6B 00 03 76 87")), nil)), rtu("11 83 02"); got != want {
		t.Errorf("answered % X, want % X", got, want)
	}
	if got := d.Hear([]byte(raw("01 03 00 6B 00 03 17 74")), nil); len(got) != 0 {
		t.Errorf("another unit: % X", got)
	}
}

func TestQuietEndsAFrame(t *testing.T) {
	d := talk(modbus.Options{})(t, dialecttest.Bench(t, instrument.Stepped))
	d.Hear([]byte(rtu("01 10 00 04 00 02 04 3FC0 0000")[:8]), nil)
	d.Quiet(nil)
	if got, want := string(d.Hear([]byte(rtu("01 06 00 02 00 01")), nil)), rtu("01 06 00 02 00 01"); got != want {
		t.Errorf("after half a frame and a pause: % X, want % X", got, want)
	}
}

func TestBroadcastReachesAllUnits(t *testing.T) {
	benches := []*instrument.Bench{dialecttest.Bench(t, instrument.Stepped), dialecttest.Bench(t, instrument.Stepped)}
	d := modbus.New(modbus.Options{First: 5}, benches...)
	d.Hear([]byte(rtu("00 10 00 04 00 02 04 3FC0 0000")+rtu("00 06 00 01 00 01")), nil)
	for i, b := range benches {
		if l := b.Load(); !l.On || l.Level != 1.5 {
			t.Errorf("unit %d: %+v", 5+i, l)
		}
	}
}

func FuzzRTU(f *testing.F) {
	var seeds []string
	for _, s := range samples() {
		seeds = append(seeds, s.Request)
	}
	dialecttest.Fuzz(f, instrument.Stepped, talk(modbus.Options{}), seeds...)
}

func FuzzTCP(f *testing.F) {
	dialecttest.Fuzz(f, instrument.Stepped, talk(modbus.Options{TCP: true}), raw("1234 0000 0006 01 06 0002 0001"), raw("0001 0000 0002 01 03"), raw("0001 0000 000B 01 10 0004 0002 04 3FC00000"))
}

// poll runs mbpoll and returns the values that it prints by reference.
func poll(t *testing.T, args ...string) (map[int]float64, error) {
	t.Helper()
	out, err := exec.Command("mbpoll", append([]string{"-0", "-1", "-q"}, args...)...).CombinedOutput()
	if err != nil {
		return nil, fmt.Errorf("%w: %s", err, out)
	}
	values := map[int]float64{}
	for _, m := range regexp.MustCompile(`(?m)^\[(\d+)\]:\s+(\S+)`).FindAllStringSubmatch(string(out), -1) {
		at, _ := strconv.Atoi(m[1])
		if values[at], err = strconv.ParseFloat(m[2], 64); err != nil {
			t.Fatalf("%s", out)
		}
	}
	return values, nil
}

// TestTwoClientsAgree: mbpoll and a client library in Go, neither of ours, read the same values, over RTU on a pseudo-terminal and over
// TCP, and what they write drives the bench.
func TestTwoClientsAgree(t *testing.T) {
	outside.Program(t, "mbpoll")
	t.Run("rtu", func(t *testing.T) {
		b := dialecttest.Bench(t, instrument.Stepped)
		port := wiretest.OnPTY(t, device(modbus.Options{}, b))
		agree(t, b, []string{"-m", "rtu", port}, "rtu://"+port)
	})
	t.Run("tcp", func(t *testing.T) {
		b := dialecttest.Bench(t, instrument.Stepped)
		addr := wiretest.OnTCP(t, device(modbus.Options{TCP: true}, b))
		_, port, _ := net.SplitHostPort(addr)
		agree(t, b, []string{"-m", "tcp", "-p", port, "127.0.0.1"}, "tcp://"+addr)
	})
}

func device(o modbus.Options, benches ...*instrument.Bench) *wire.Device {
	return wire.NewDevice(func() dialect.Dialect { return modbus.New(o, benches...) }, wire.Options{}, benches...)
}

func agree(t *testing.T, b *instrument.Bench, where []string, url string) {
	ask := func(args ...string) map[int]float64 {
		v, err := poll(t, append(args, where...)...)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	set := func(reference, kind string, values ...string) {
		if _, err := poll(t, append(append([]string{"-r", reference, "-t", kind, "-B"}, where...), values...)...); err != nil {
			t.Fatal(err)
		}
	}
	set("4", "4:float", "1.5")
	set("1", "4", "1")
	set("3", "4", "3600")
	if l := b.Load(); !l.On || l.Level != 1.5 || b.Now() < 3600e9 {
		t.Fatalf("what mbpoll wrote: %+v at %d ns", l, b.Now())
	}
	floats := ask("-t", "3:float", "-B", "-r", "0", "-c", "7")
	if v := floats[2]; v != -1.5 {
		t.Errorf("current %g A, want -1.5 A", v)
	}
	if v := floats[6]; math.Abs(v+1.5) > 1e-4 {
		t.Errorf("charge %g Ah, want -1.5 Ah", v)
	}
	words := ask("-t", "3", "-r", "14", "-c", "2")
	if words[14] != math.Round(floats[0]*100) || int16(words[15]) != -150 {
		t.Errorf("scaled %v beside %v", words, floats)
	}
	if v := ask("-t", "3:int", "-B", "-r", "16", "-c", "1"); v[16] != -1500 {
		t.Errorf("charge %v mAh, want -1500", v)
	}
	if _, err := poll(t, append([]string{"-t", "4", "-r", "200"}, where...)...); err == nil || !strings.Contains(err.Error(), "Illegal data address") {
		t.Errorf("off the map: %v", err)
	}

	c, err := client.NewClient(&client.ClientConfiguration{URL: url, Speed: 19200, Timeout: 5 * time.Second, Logger: nil})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Open(); err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	c.SetUnitId(1)
	c.SetEncoding(client.BIG_ENDIAN, client.HIGH_WORD_FIRST)
	again, err := c.ReadFloat32s(0, 7, client.INPUT_REGISTER)
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range again {
		if want := floats[2*i]; math.Abs(float64(v)-want) > 1e-5*math.Abs(want)+1e-6 {
			t.Errorf("register %d: the client in Go reads %g, mbpoll %g", 2*i, v, want)
		}
	}
	if err := c.WriteFloat32(4, 2.25); err != nil {
		t.Fatal(err)
	}
	if v := ask("-t", "4:float", "-B", "-r", "4", "-c", "1"); v[4] != 2.25 {
		t.Errorf("mbpoll reads %v of what the client in Go wrote", v)
	}
	if _, err := c.ReadRegister(200, client.HOLDING_REGISTER); !errors.Is(err, client.ErrIllegalDataAddress) {
		t.Errorf("off the map: %v", err)
	}
}

// TestTimeOfUnits: where clients step the time, each unit has its own.
func TestTimeOfUnits(t *testing.T) {
	var benches []*instrument.Bench
	for range 3 {
		benches = append(benches, dialecttest.Bench(t, instrument.Stepped))
	}
	addr := wiretest.OnTCP(t, device(modbus.Options{TCP: true}, benches...))
	for unit, seconds := range map[byte]byte{1: 100, 2: 20} {
		c := wiretest.Dial(t, addr)
		request := []byte{0, 1, 0, 0, 0, 6, unit, 6, 0, 3, 0, seconds}
		if _, err := c.Write(request); err != nil {
			t.Fatal(err)
		}
		if _, err := io.ReadFull(c, make([]byte, len(request))); err != nil {
			t.Fatal(err)
		}
	}
	for unit, seconds := range []int64{100, 20, 0} {
		if now := benches[unit].Now(); now != seconds*1e9 {
			t.Errorf("unit %d stands at %d ns, want %d s", 1+unit, now, seconds)
		}
	}
}

func TestWordOrder(t *testing.T) {
	for _, low := range []bool{false, true} {
		b := dialecttest.Bench(t, instrument.Stepped)
		d := talk(modbus.Options{LowFirst: low})(t, b)
		value := "3FC0 0000"
		if low {
			value = "0000 3FC0"
		}
		d.Hear([]byte(rtu("01 10 00 04 00 02 04 "+value)), nil)
		if v := b.Load().Level; v != 1.5 {
			t.Errorf("low word first %v: %g", low, v)
		}
		if got, want := string(d.Hear([]byte(rtu("01 03 00 04 00 02")), nil)), rtu("01 03 04 "+value); got != want {
			t.Errorf("low word first %v: % X, want % X", low, got, want)
		}
	}
}

// BenchmarkRead is a read of four registers over TCP, beside a bare echo.
func BenchmarkRead(b *testing.B) {
	addr := wiretest.OnTCP(b, device(modbus.Options{TCP: true}, dialecttest.Bench(b, instrument.Real)))
	wiretest.BesideEcho(b, addr, raw("0001 0000 0006 01 04 0000 0004"), 9+8)
}

// BenchmarkRack is 200 packs, each a unit of one line and each asked ten times a second in simulated time: one iteration is a second of it.
func BenchmarkRack(b *testing.B) {
	var benches []*instrument.Bench
	for range 200 {
		benches = append(benches, dialecttest.Bench(b, instrument.Stepped))
	}
	d := modbus.New(modbus.Options{TCP: true}, benches...)
	var out []byte
	for b.Loop() {
		for range 10 {
			for unit, bench := range benches {
				bench.Advance(bench.Now() + 1e8)
				out = d.Hear([]byte{0, 1, 0, 0, 0, 6, byte(1 + unit), 4, 0, 0, 0, 4}, out[:0])
			}
		}
	}
	if len(out) != 17 {
		b.Fatalf("% X", out)
	}
}
