/* The integer logger in a sandbox. */
#define LOGGER_FRAME
#include "integer.c"
