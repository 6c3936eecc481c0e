/* The suite's logger (see linktest.go) in C: it proves benchlink.h, on a host and in a sandbox. */
#include <stdint.h>

static char raw[1200];
static uint16_t raw_length;

#ifndef __wasm__
#include <stdio.h>
static int keep(void) {
    static int ended;
    int c = getchar();
    if (ended) raw_length = 0; /* of a line that was damaged and not acted upon */
    ended = c == '\n';
    if (c >= 0 && c != '\n' && raw_length < sizeof raw - 1) raw[raw_length++] = (char)c;
    return c;
}
#define BENCH_GETC() keep()
#define BENCH_PUTC(c) putchar(c)
#define BENCH_FLUSH() fflush(stdout)
#endif
#include "benchlink.h"

static char found[4096];
static uint32_t count;

#ifdef __wasm__
static uint32_t load_count(void) { return bench_load_bytes("count", 5, found, sizeof found - 1); }
static void save_count(void) {
    uint32_t i;
    for (i = 0; i < count && i < sizeof found - 1; i++) found[i] = 'I';
    bench_save_bytes("count", 5, found, i);
}
/* The raw line stands in the sandbox's buffer, before what comes next. */
static void take_raw(void) {
    uint32_t end = bench_in_at_, begin;
    if (end > 0 && bench_in_[end - 1] == '\n') end--;
    for (begin = end; begin > 0 && bench_in_[begin - 1] != '\n'; begin--) {
    }
    for (raw_length = 0; begin < end && raw_length < sizeof raw - 1; begin++) raw[raw_length++] = bench_in_[begin];
}
#else
static uint32_t load_count(void) {
    FILE *f = fopen("count", "r");
    uint32_t n = 0;
    if (f) {
        n = (uint32_t)fread(found, 1, sizeof found - 1, f);
        fclose(f);
    }
    return n;
}
static void save_count(void) {
    FILE *f = fopen("count", "w");
    uint32_t i;
    if (!f) return;
    for (i = 0; i < count; i++) fputc('I', f);
    fclose(f);
}
static void take_raw(void) {}
#endif

static void every_word(void) {
    static const char *const able[] = {"load", "set", "restore", "clock", "count-charge", "count-discharge", "energy", "totals"};
    uint8_t i;
    bench_row("");
    bench_row("  1.234, \302\265V ; \"x\"\t ");
    bench_load(1);
    bench_load(0);
    bench_charge(1);
    bench_charge(0);
    bench_file("LOG00001.CSV");
    bench_clock_set(INT64_C(1) << 40);
    bench_clock_set(-1);
    bench_say("lost 3 gr\303\266\303\237e");
    bench_mine("tick_bits", 16);
    for (i = 0; i < sizeof able / sizeof able[0]; i++) bench_cannot(able[i]);
    bench_can("charge");
    bench_can("seq");
}

static void many_rows(void) {
    uint16_t i;
    for (i = 0; i < 5000; i++) {
        bench_row_begin();
        bench_text("row ");
        bench_unsigned(i);
        bench_text(" of many, so that no buffer of a pipe holds them all");
        bench_row_end();
    }
}

void logger_event(int event);

void logger_event(int event) {
    take_raw();
    raw[raw_length] = 0;
    raw_length = 0;
    bench_row(raw);
    if (event == BENCH_GREETING) {
        found[load_count()] = 0;
        bench_text("say found ");
        bench_text(found);
        bench_put('\n');
    }
    if (event == BENCH_READING) {
        count++;
        save_count();
        if (bench.has_aux1 && bench.aux1 == 1) every_word();
        if (bench.has_aux1 && bench.aux1 == 2) many_rows();
    }
}

#ifndef __wasm__
int main(void) {
    int event;
    while ((event = bench_next()) != BENCH_CLOSED) {
        logger_event(event);
        bench_ok();
    }
    return 0;
}
#endif
