/* The interval is multiplied in int. With 32 bits that is right; with the 16 bits of a small chip 33 s and more are not. The compiler
 * is silent about it. */
#include <stdint.h>
#define OWN_INTERVAL
static uint64_t ticks_of_ms(int32_t ms);
#include "integer.c"
static uint64_t ticks_of_ms(int32_t ms) {
    int seconds = (int)(ms / 1000);
    return (uint64_t)(seconds * 1000 + (int)(ms % 1000)) * (uint64_t)bench.tick_hz / 1000;
}
