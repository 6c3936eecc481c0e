/* The 32-bit counter is widened to 64 bits before the difference is taken: over the wrap the step is minus 2^32 ticks. */
#include <stdint.h>
#define OWN_STEP
static double step_seconds(uint64_t from, uint64_t to);
#include "plain.c"
static double step_seconds(uint64_t from, uint64_t to) {
    int64_t step = (int64_t)to - (int64_t)from;
    return (double)step / bench.tick_hz;
}
