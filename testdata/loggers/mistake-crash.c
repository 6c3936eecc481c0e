/* It writes past the end of what it owns after 300 readings. */
#define OWN_READING
static void every_reading(void);
#include "plain.c"
#include <stdlib.h>
static void every_reading(void) {
    static int readings;
    if (++readings == 300) {
        fprintf(stderr, "buffer full at reading %d\n", readings);
        abort();
    }
}
