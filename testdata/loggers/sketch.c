/* A healthy logger as a sketch: setup() and loop(), a clock of milliseconds, global variables, one file. What the sketch had before it was ported
 * stands in the comments of the three places. */
#include <stdio.h>
#include "benchlink.h"

static float volts, amps;
static unsigned long now_ms, last_ms;
static double ah, wh;
static unsigned long next_row;
static unsigned long below_since;
static int was_below, relay_open, first = 1;

static unsigned long uptime_ms(void) {
    /* PLACE 2: was the board's own counter of milliseconds */
    return (unsigned long)bench.tick;
}

static int measure(void) {
    /* PLACE 1: was the driver's getShuntVoltage() and getBusVoltage() */
    if (bench.shunt == BENCH_FAILED || bench.bus == BENCH_FAILED) return 0;
    volts = (float)bench.bus * (float)bench.bus_step_uv / 1e6f;
    amps = (float)((double)bench.shunt * bench.shunt_step_nv / (double)bench.shunt_nohm);
    return 1;
}

static void print_row(void) {
    char line[100];
    snprintf(line, sizeof line, "%lu, %.2f, %.3f, %.4f, %.3f", now_ms, volts, -amps, -ah, -wh); /* discharge positive */
    bench_row(line); /* PLACE 3: was file.println(line) */
}

static void watch_cutoff(void) {
    if (volts * 1000 < bench.cutoff_mv && !relay_open) {
        if (!was_below) below_since = now_ms;
        was_below = 1;
        if (((now_ms - below_since) & 0xffffffffUL) >= (unsigned long)bench.cutoff_hold_ms) {
            relay_open = 1;
            bench_load(0); /* was digitalWrite(RELAY, LOW) */
        }
    } else {
        was_below = 0;
    }
}

static void setup(void) {
    bench_cannot("restore");
    /* The board's own counter is what it is: the bench takes it over. */
    bench_mine("tick_bits", 32);
    bench_mine("tick_hz", 1000);
    bench_row("time [ms], volts [V], current [A], capacity [Ah], energy [Wh]");
}

static void loop(void) {
    unsigned long dt;
    now_ms = uptime_ms();
    if (!measure()) {
        if (!first) watch_cutoff(); /* by the last volts: a dead sensor must not keep a load on an empty battery */
        return;
    }
    dt = (now_ms - last_ms) & 0xffffffffUL;
    last_ms = now_ms;
    if (first) {
        first = 0;
        next_row = now_ms;
        dt = 0;
    }
    ah += amps * (dt / 3600000.0);
    wh += (double)amps * volts * (dt / 3600000.0);
    watch_cutoff();
    if (((now_ms - next_row) & 0xffffffffUL) < 0x80000000UL) {
        print_row();
        next_row += (unsigned long)bench.log_ms;
    }
}

int main(void) {
    if (!bench_begin()) return 1;
    setup();
    while (bench_turn()) loop();
    bench_ok();
    return 0;
}
