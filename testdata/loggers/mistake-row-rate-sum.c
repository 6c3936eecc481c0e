/* It integrates only when it writes a row: what happens between rows is not counted. */
#define SUM_AT_ROWS_ONLY 1
#include "plain.c"
