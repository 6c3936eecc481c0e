/* A healthy logger in integers: sums in uA.s and uW.s, remainders carried, rows held in a buffer of 8. It uses neither floating point
 * nor printf, so that a small chip has room for it and the rows are the same on every processor. The frame around it calls
 * logger_event() for each event of the bench. */
#include "benchlink.h"

struct row {
    uint64_t elapsed_ms;
    int32_t mV;
    int64_t uA, charge_uAs;
    int64_t energy_uWs;
};

static struct row held[8];
static uint8_t held_rows;
static uint8_t any, off, below;
static uint64_t last_tick, below_tick, elapsed, row_due; /* ticks */
static int64_t last_uA, last_uW, charge_uAs, energy_uWs, charge_rest, energy_rest;

static uint64_t ticks_between(uint64_t from, uint64_t to) {
    uint64_t d = to - from;
    return bench.tick_bits < 64 ? d & (((uint64_t)1 << bench.tick_bits) - 1) : d;
}

#ifndef OWN_INTERVAL
static uint64_t ticks_of_ms(int32_t ms) { return (uint64_t)ms * (uint64_t)bench.tick_hz / 1000; }
#endif

/* Adds the trapezoid of two values over so many ticks; what does not make a whole unit is kept for the next. */
static void add(int64_t *total, int64_t *rest, int64_t a, int64_t b, uint64_t ticks) {
    int64_t per = 2 * (int64_t)bench.tick_hz;
    *rest += (a + b) * (int64_t)ticks;
    *total += *rest / per;
    *rest %= per;
}

static int64_t rounded(int64_t n, int64_t d) { return n < 0 ? -((-n + d / 2) / d) : (n + d / 2) / d; }

static void write_rows(void) {
    uint8_t i;
    for (i = 0; i < held_rows; i++) {
        const struct row *r = &held[i];
        bench_row_begin();
        bench_unsigned(r->elapsed_ms);
        bench_put('\t');
        bench_decimal(r->mV, 3);
        bench_put('\t');
        bench_decimal(rounded(r->uA, 100), 4);
        bench_put('\t');
        bench_decimal(rounded(r->charge_uAs, 36000), 5);
        bench_put('\t');
        bench_decimal(rounded(r->energy_uWs, 360000), 4);
        bench_row_end();
    }
    held_rows = 0;
}

static void hold_row(int32_t mV, int64_t uA) {
    struct row *r = &held[held_rows++];
    r->elapsed_ms = elapsed * 1000 / (uint64_t)bench.tick_hz;
    r->mV = mV;
    r->uA = uA;
    r->charge_uAs = charge_uAs;
    r->energy_uWs = energy_uWs;
    if (held_rows == sizeof held / sizeof held[0]) write_rows();
}

static int32_t seen_mV; /* by the newest good reading */

static void watch_cutoff(int32_t mV) {
    if (bench.cutoff_mv == 0 || off) return;
    if (mV >= bench.cutoff_mv) {
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

static void on_reading(void) {
    int64_t uV, uA, uW;
    if (bench.shunt == BENCH_FAILED || bench.bus == BENCH_FAILED) {
        if (any) watch_cutoff(seen_mV); /* a dead sensor must not keep a load on an empty battery */
        return;
    }
    uV = (int64_t)bench.bus * bench.bus_step_uv;
    uA = rounded((int64_t)bench.shunt * bench.shunt_step_nv * 1000000, bench.shunt_nohm);
    uW = rounded(uA * (uV / 10), 100000);
    if (any) {
        uint64_t ticks = ticks_between(last_tick, bench.tick);
        elapsed += ticks;
        add(&charge_uAs, &charge_rest, last_uA, uA, ticks);
        add(&energy_uWs, &energy_rest, last_uW, uW, ticks);
    }
    any = 1;
    last_tick = bench.tick;
    last_uA = uA;
    last_uW = uW;
    seen_mV = (int32_t)(uV / 1000);
    watch_cutoff(seen_mV);
    if (elapsed < row_due) return;
    hold_row((int32_t)(uV / 1000), uA);
    while (row_due <= elapsed) row_due += ticks_of_ms(bench.log_ms);
}

void logger_event(int event);

void logger_event(int event) {
    switch (event) {
    case BENCH_GREETING: /* a power-up, or a new test on a chip that stays up */
        held_rows = any = off = below = 0;
        elapsed = row_due = 0;
        charge_uAs = energy_uWs = charge_rest = energy_rest = 0;
        bench_cannot("restore");
        bench_row("ms\tU (V)\tI (A)\tQ (Ah)\tE (Wh)");
        break;
    case BENCH_READING:
        on_reading();
        break;
    case BENCH_END:
        write_rows();
        break;
    default:
        break;
    }
}

#ifndef LOGGER_FRAME
int main(void) {
    int event;
    while ((event = bench_next()) != BENCH_CLOSED) {
        logger_event(event);
        bench_ok();
    }
    return 0;
}
#endif
