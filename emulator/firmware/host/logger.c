/* logger.c: a healthy capacity logger to start from. It integrates current and power over the rig's own tick counter, writes a row
 * every log_ms, stops the load at the cutoff, and finds its totals again after a power cut.
 *
 *   cc -o logger logger.c && stuntcell prove
 *
 * To prove your own logger, put your code in place of this and keep the three places below.
 * Battery and charger stay disconnected: what is read here is simulated. */
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "benchlink.h"

/* ---- PLACE 1: read the sensor. Put your driver's call here for the real rig. ---------------------------------------- */
static int read_sensor(double *volts, double *amps) {
    if (bench.shunt == BENCH_FAILED || bench.bus == BENCH_FAILED) return 0;
    *volts = bench.bus * (bench.bus_step_uv * 1e-6);
    *amps = bench.shunt * (double)bench.shunt_step_nv / (double)bench.shunt_nohm;
    return 1;
}

/* ---- PLACE 2: read the clocks. The board's counter of milliseconds and the clock chip on the real rig. -------------- */
static uint64_t read_tick(void) { return bench.tick; }
static int64_t read_clock(void) { return bench.clock; }

/* ---- PLACE 3: write a row. The card's file on the real rig. --------------------------------------------------------- */
static int write_row(const char *text) {
    if (bench.card_fails) return 0;
    bench_row(text);
    return 1;
}
/* --------------------------------------------------------------------------------------------------------------------- */

/* What must survive a power cut. It is kept in two files that are written in turn, so that one is whole at any moment. */
struct totals {
    double charge, energy; /* A·s and W·s, into the battery positive */
    int load_off;          /* the cutoff has opened the load: it stays open */
    unsigned long age;     /* the newer of the two files has the higher */
};
static struct totals totals;

static const char *const files[2] = {"totals.a", "totals.b"};

static unsigned long check_sum(const char *s) {
    unsigned long sum = 5381;
    while (*s) sum = (sum * 33 + (unsigned char)*s++) & 0xffffffffUL;
    return sum;
}

static void save_totals(void) {
    char text[160];
    FILE *f;
    totals.age++;
    snprintf(text, sizeof text, "%lu %.17g %.17g %d", totals.age, totals.charge, totals.energy, totals.load_off);
    f = fopen(files[totals.age & 1], "w");
    if (!f) return;
    fprintf(f, "%s\n%lu\n", text, check_sum(text));
    fclose(f);
}

static void restore_totals(void) {
    int i;
    for (i = 0; i < 2; i++) {
        char text[160] = "";
        unsigned long sum = 0;
        struct totals t;
        FILE *f = fopen(files[i], "r");
        if (!f) continue;
        if (fscanf(f, "%159[^\n]%lu", text, &sum) == 2 && sum == check_sum(text) &&
            sscanf(text, "%lu %lg %lg %d", &t.age, &t.charge, &t.energy, &t.load_off) == 4 && t.age > totals.age)
            totals = t;
        fclose(f);
    }
}

static struct {
    int any;            /* there was a good reading since power-up */
    uint64_t tick;      /* of the newest good one */
    double volts, amps;
    int below;          /* volts were below the cutoff ... */
    uint64_t below_tick; /* ... since this tick */
} last;

static int started;
static uint64_t tick_now, elapsed, row_due; /* elapsed: ticks since the first reading, does not wrap */
static unsigned long lost;

static uint64_t ticks_between(uint64_t from, uint64_t to) {
    uint64_t d = to - from;
    return bench.tick_bits < 64 ? d & (((uint64_t)1 << bench.tick_bits) - 1) : d;
}

static uint64_t ticks_of_ms(int32_t ms) { return (uint64_t)ms * (uint64_t)bench.tick_hz / 1000; }

static void watch_cutoff(int good, double volts) {
    if (bench.cutoff_mv == 0 || totals.load_off) return;
    /* While readings fail, what was seen last counts on: a dead sensor must not keep a load on an empty battery. */
    if (good && volts * 1000 >= bench.cutoff_mv) last.below = 0;
    if (good && volts * 1000 < bench.cutoff_mv && !last.below) {
        last.below = 1;
        last.below_tick = tick_now;
    }
    if (last.below && ticks_between(last.below_tick, tick_now) >= ticks_of_ms(bench.cutoff_hold_ms)) {
        bench_load(0);
        totals.load_off = 1;
        save_totals();
    }
}

static void tell_lost(void) {
    char text[40];
    snprintf(text, sizeof text, "lost %lu", lost);
    bench_say(text);
}

static void log_row(double volts, double amps) {
    char text[160], when[32] = "";
    int64_t unix_time = read_clock();
    if (unix_time != BENCH_NO_CLOCK) {
        time_t local = (time_t)(unix_time + bench.zone_min * 60);
        struct tm *t = gmtime(&local);
        if (t) strftime(when, sizeof when, "%Y-%m-%d %H:%M:%S", t);
    }
    snprintf(text, sizeof text, "%s,%llu,%.3f,%.4f,%.5f,%.4f", when, (unsigned long long)tick_now, volts, amps,
             totals.charge / 3600, totals.energy / 3600);
    if (!write_row(text)) {
        if (lost++ == 0) tell_lost(); /* at once: a card that is full stays so */
        return;
    }
    if (lost > 0) tell_lost();
    lost = 0;
    save_totals();
}

static void on_reading(void) {
    double volts = 0, amps = 0;
    uint64_t tick = read_tick();
    int good = read_sensor(&volts, &amps);
    if (started) elapsed += ticks_between(tick_now, tick);
    started = 1;
    tick_now = tick;
    if (good) {
        if (last.any) {
            /* Trapezoid, over the gap too if readings failed in between. */
            double dt = (double)ticks_between(last.tick, tick) / bench.tick_hz;
            totals.charge += (last.amps + amps) / 2 * dt;
            totals.energy += (last.amps * last.volts + amps * volts) / 2 * dt;
        }
        last.any = 1;
        last.tick = tick;
        last.volts = volts;
        last.amps = amps;
    }
    watch_cutoff(good, volts);
    if (good && elapsed >= row_due) {
        log_row(volts, amps);
        /* Due times are a fixed grid, so that a late row does not shift those after it. */
        while (row_due <= elapsed) row_due += ticks_of_ms(bench.log_ms);
    }
}

int main(void) {
    for (;;) {
        switch (bench_next()) {
        case BENCH_GREETING:
            restore_totals();
            if (totals.load_off) bench_load(0);
            if (!bench.card_fails) bench_row("time,tick,V,A,Ah,Wh");
            break;
        case BENCH_READING:
            on_reading();
            break;
        case BENCH_SETTING:
            row_due = elapsed + ticks_of_ms(bench.log_ms);
            break;
        case BENCH_END:
            if (lost > 0) tell_lost();
            save_totals();
            break;
        case BENCH_CLOSED:
            return 0;
        }
        bench_ok();
    }
}
