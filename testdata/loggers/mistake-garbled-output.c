/* It prints its debug lines where the rows go. */
#define OWN_READING
static void every_reading(void);
#include "plain.c"
static void every_reading(void) {
    static int readings;
    if (++readings % 100 == 0) printf("debug: %d readings, shunt=%ld\n", readings, (long)bench.shunt);
}
