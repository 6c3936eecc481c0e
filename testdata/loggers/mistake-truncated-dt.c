/* The step is divided in integers: 1.9 s count as 1 s, 0.9 s as nothing. */
#include <stdint.h>
#define OWN_STEP
#define HEADER "elapsed_ms,voltage_V,current_A,charge_Ah,energy_Wh"
#define ROW "%llu,%.3f,%.4f,%.5f,%.4f"
static double step_seconds(uint64_t from, uint64_t to);
#include "plain.c"
static double step_seconds(uint64_t from, uint64_t to) {
    return (double)(ticks_between(from, to) / (uint64_t)bench.tick_hz);
}
