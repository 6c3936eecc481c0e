/* It closes the load again when the voltage has recovered. */
#define OWN_CUTOFF
static void watch_cutoff(void);
#include "plain.c"
static void watch_cutoff(void) {
    double level = bench.cutoff_mv / 1000.0;
    if (bench.cutoff_mv == 0) return;
    if (!off && volts < level) {
        if (!below) below_tick = bench.tick;
        below = 1;
        if (ticks_between(below_tick, bench.tick) >= ticks_of_ms(bench.cutoff_hold_ms)) {
            off = 1;
            bench_load(0);
        }
        return;
    }
    below = 0;
    if (off && volts > level + 0.1) {
        off = 0;
        bench_load(1);
    }
}
