/* A healthy logger: floating point, trapezoid over the tick, stops the load at the cutoff. A file with a mistake defines the
 * part that it replaces before it includes this. */
#include <stdio.h>
#include "benchlink.h"

#ifndef HEADER
#define HEADER "ms,V,A,Ah,Wh"
#define ROW "%llu,%.3f,%.4f,%.5f,%.4f"
#endif

static int any, off, below;
static uint64_t seen_tick, summed_tick, below_tick, elapsed, row_due; /* ticks */
static double volts, amps, last_volts, last_amps, charge_As, energy_Ws;

static uint64_t ticks_between(uint64_t from, uint64_t to) {
    uint64_t d = to - from;
    return bench.tick_bits < 64 ? d & (((uint64_t)1 << bench.tick_bits) - 1) : d;
}

static uint64_t ticks_of_ms(int32_t ms) { return (uint64_t)ms * (uint64_t)bench.tick_hz / 1000; }

#ifndef OWN_STEP
static double step_seconds(uint64_t from, uint64_t to) { return (double)ticks_between(from, to) / bench.tick_hz; }
#endif

#ifndef OWN_SUM
static void sum(double dt) {
    charge_As += (last_amps + amps) / 2 * dt;
    energy_Ws += (last_amps * last_volts + amps * volts) / 2 * dt;
}
#endif

#ifndef OWN_CUTOFF
static void watch_cutoff(void) {
    if (bench.cutoff_mv == 0 || off) return;
    if (volts * 1000 >= bench.cutoff_mv) {
        below = 0;
        return;
    }
    if (!below) below_tick = bench.tick;
    below = 1;
    if (ticks_between(below_tick, bench.tick) >= ticks_of_ms(bench.cutoff_hold_ms)) {
        off = 1;
        bench_load(0);
    }
}
#endif

#ifndef OWN_READING
static void every_reading(void) {}
#endif

#ifndef SUM_AT_ROWS_ONLY
#define SUM_AT_ROWS_ONLY 0
#endif

static void on_reading(void) {
    char text[120];
    int due;
    every_reading();
    if (bench.shunt == BENCH_FAILED || bench.bus == BENCH_FAILED) {
        if (any) watch_cutoff(); /* what was seen last counts on: a dead sensor must not keep a load on an empty battery */
        return;
    }
    volts = bench.bus * 1e-6 * bench.bus_step_uv;
    amps = (double)bench.shunt * bench.shunt_step_nv / (double)bench.shunt_nohm;
    if (any) elapsed += ticks_between(seen_tick, bench.tick);
    seen_tick = bench.tick;
    watch_cutoff();
    due = elapsed >= row_due;
    if (due || !SUM_AT_ROWS_ONLY) {
        if (any) sum(step_seconds(summed_tick, bench.tick));
        any = 1;
        summed_tick = bench.tick;
        last_volts = volts;
        last_amps = amps;
    }
    if (!due) return;
    snprintf(text, sizeof text, ROW, (unsigned long long)(elapsed * 1000 / (uint64_t)bench.tick_hz), volts, amps, charge_As / 3600,
             energy_Ws / 3600);
    bench_row(text);
    while (row_due <= elapsed) row_due += ticks_of_ms(bench.log_ms);
}

int main(void) {
    for (;;) {
        int event = bench_next();
        if (event == BENCH_CLOSED) return 0;
        if (event == BENCH_GREETING) {
            bench_cannot("restore");
            bench_row(HEADER);
        }
        if (event == BENCH_READING) on_reading();
        bench_ok();
    }
}
