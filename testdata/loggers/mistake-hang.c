/* It waits for a flag that nobody sets, after 300 readings. */
#define OWN_READING
static void every_reading(void);
#include "plain.c"
static void every_reading(void) {
    static int readings;
    static volatile int ready;
    if (++readings == 300)
        while (!ready) {
        }
}
