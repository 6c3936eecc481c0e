/* What the mends of the catalogue find around them in a logger: its state and the functions of its board. GLOBAL is empty in
 * the one file that defines the state. */
#include <inttypes.h>
#include <math.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#ifndef GLOBAL
#define GLOBAL extern
#endif

#define LEAD_OHM 0.060
#define OWN_DRAW_A 0.045

struct reading {
    uint32_t tick;
    double amps, volts;
};

enum state { RUNNING, STOPPED };

struct saved {
    uint32_t number, state;
    double charge, energy;
    uint16_t crc;
};

/* ticks are milliseconds */
GLOBAL uint32_t now, last, last_row, next_row, log_ms, step, value, since, cutoff_hold_ms;
GLOBAL uint32_t charge_began, charge_limit_ms, step_began, step_limit_ms, number;
GLOBAL uint16_t log_s;
GLOBAL int32_t shunt, bus, shunt_zero, shunt_max, bus_step_uv, milliamps;
GLOBAL int32_t volts_mv, cutoff_mv, floor_mv, charge_end_mv, charge_taper_ma;
GLOBAL long ma;
GLOBAL int64_t sum, charge_uC, rtc_now, set_at, rtc_ppm;
GLOBAL double amps, volts, dt, charge, energy, charge_in, charge_out, charge_limit_As, bus_volts, shunt_ohm;
GLOBAL double amps_per_count, meter_amps, tick_ppm;
GLOBAL float sum_As, carry;
GLOBAL bool below, stop_due, stopped, test_ended, test_running;
GLOBAL int day, last_day;
GLOBAL unsigned failed, clipped, slot;
GLOBAL unsigned long lost;
GLOBAL size_t len, used, n, minute;
GLOBAL char line[80], buffer[512];
GLOBAL const char *rows[8];
GLOBAL double curve[30];
GLOBAL FILE *file;
GLOBAL time_t unix_time;
GLOBAL uint32_t days;
GLOBAL struct {
    uint32_t year, month, day;
} date;

uint32_t ticks(void);
int32_t adc_shunt(void);
bool read_sensor(struct reading *r);
bool reading_due(void);
bool sensor_ready(void);
void sensor_reset(void);
void watchdog_kick(void);
void add(const struct reading *r);
void print_row(const struct reading *r);
bool row_due(uint32_t tick);
void write_row(void);
void print_time(int64_t unix_seconds);
void open_file(int day_of_it);
bool card_write(const char *bytes, size_t count);
bool card_write_row(const char *row);
void card_reopen(void);
void say(const char *format, ...);
void load_on(void);
void load_off(void);
bool load_is_on(void);
void charge_off(void);
void start_hold(void);
void stop_test(void);
void call_for_help(void);
int64_t rtc_unix(void);
void rtc_set(int64_t unix_seconds);
int64_t network_time(void);
uint16_t crc16(const void *bytes, size_t count);
void store(unsigned at, const struct saved *s);
bool newest_valid(struct saved *s);
void save_state(enum state s);
enum state saved_state(void);
