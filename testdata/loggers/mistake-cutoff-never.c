/* It finds that the voltage is below the cutoff, but never stops the load. */
#define OWN_CUTOFF
static void watch_cutoff(void);
#include "plain.c"
static void watch_cutoff(void) {
    below = volts * 1000 < bench.cutoff_mv;
    if (below && !off) below_tick = bench.tick;
    off = below;
}
