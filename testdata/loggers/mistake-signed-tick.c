/* The counter is kept in a signed long of 32 bits and compared as such: it turns negative at half its range. */
#include <stdint.h>
#define OWN_STEP
#define HEADER "ms;U[V];I[A];Q[Ah];E[Wh]"
#define ROW "%llu;%.3f;%.4f;%.5f;%.4f"
static double step_seconds(uint64_t from, uint64_t to);
#include "plain.c"
static double step_seconds(uint64_t from, uint64_t to) {
    int32_t a = (int32_t)(uint32_t)from, b = (int32_t)(uint32_t)to;
    return ((double)b - a) / bench.tick_hz;
}
