/* benchlink.h: a logger's side of the bench link, version 1. One header, C99, no allocation, no dependency but <stdint.h>
 * (and <stdio.h> on a host). It lets the code of your logger run against a simulated battery: on a PC, on a chip's serial
 * line, or as WebAssembly. Everything is simulated: no battery is to be connected while you use it.
 *
 * THREE PLACES of your own program change, nothing else:
 *
 *   PLACE 1, where it reads the sensor:   shunt = bench.shunt;  bus = bench.bus;    counts, BENCH_FAILED if the reading failed
 *   PLACE 2, where it reads its clocks:   now = bench.tick;     unix_time = bench.clock;
 *   PLACE 3, where it writes a row:       bench_row(text);
 *
 * On a PC an unsigned long has 64 bits, on most boards 32: keep ticks in a uint32_t (or what tick_bits says), or their difference is wrong
 * when they wrap. An int has 32 bits there and 16 on small boards.
 *
 * A program that waits for the next reading and works on it:
 *
 *   #include "benchlink.h"
 *   int main(void) {
 *       for (;;) {
 *           switch (bench_next()) {                 // waits for a line of the bench
 *           case BENCH_GREETING: bench_cannot("load"); break;   // bench.tick_hz, bench.shunt_nohm ... are known from here on
 *           case BENCH_READING:  on_reading(); break;           // PLACE 1, 2, 3 are in there
 *           case BENCH_SETTING:  break;                         // bench.log_ms ... may have changed
 *           case BENCH_END:      flush_rows(); break;
 *           case BENCH_CLOSED:   return 0;
 *           }
 *           bench_ok();
 *       }
 *   }
 *
 * A sketch that must keep its own loop() calls bench_turn() there instead (see the end of this file).
 *
 * On a chip, define BENCH_GETC() (waits for a byte; -1 when there will be none) and BENCH_PUTC(c) before the #include; they are the
 * UART's. Define BENCH_FLUSH() too if the line is buffered. What is not a word of the link must not be printed: use bench_say(). Most boards
 * restart when their port is opened, and the bench counts on it; on one that does not, set everything to its start at BENCH_GREETING.
 *
 * On a line that loses or damages bytes, define BENCH_SEQ as the number of bytes to keep of each answer (a few rows: 512) before the #include:
 * then every line is numbered and checked in both directions, and what is damaged is asked for again without being counted twice.
 *
 * Counts are signed, current into the battery is positive:
 *   volts of the shunt = shunt * shunt_step_nv * 1e-9;   amperes = shunt * shunt_step_nv / shunt_nohm
 *   volts of the bus   = bus * bus_step_uv * 1e-6
 *
 * This file may be used, changed and given away by anyone for any purpose; it comes without any warranty. */
#ifndef BENCHLINK_H
#define BENCHLINK_H

#include <stdint.h>

#if defined(__wasm__) && !defined(BENCH_PUTC)
/* In a sandbox there is neither a UART nor a file: lines come in a buffer and leave by a call, and so do the bytes that must survive a
 * power cut. Compile with:  clang --target=wasm32 -O2 -mbulk-memory -nostdlib -Wl,--no-entry -o logger.wasm logger.c
 * Your code defines  void logger_event(int event)  instead of main(); what follows it, bench_ok() included, is done here. */
#define BENCH_IMPORT(name) __attribute__((import_module("stuntcell"), import_name(name)))
#define BENCH_EXPORT(name) __attribute__((export_name(name)))
BENCH_IMPORT("write") void bench_write_(const char *text, uint32_t length);
/* Bytes kept under a name: load returns how many there are and copies at most size of them; save replaces them. */
BENCH_IMPORT("load") uint32_t bench_load_bytes(const char *name, uint32_t name_length, void *to, uint32_t size);
BENCH_IMPORT("save") void bench_save_bytes(const char *name, uint32_t name_length, const void *from, uint32_t size);
static char bench_in_[8192], bench_out_[4096];
static uint32_t bench_in_length_, bench_in_at_, bench_out_length_;
static void bench_flush_(void) {
    if (bench_out_length_ > 0) bench_write_(bench_out_, bench_out_length_);
    bench_out_length_ = 0;
}
static void bench_put_(char c) {
    bench_out_[bench_out_length_++] = c;
    if (bench_out_length_ == sizeof bench_out_) bench_flush_();
}
#define BENCH_GETC() (bench_in_at_ < bench_in_length_ ? (unsigned char)bench_in_[bench_in_at_++] : -1)
#define BENCH_PUTC(c) bench_put_((char)(c))
/* The sandbox asks at each turn of a loop whether it should end, which takes longer than the turn. */
#define BENCH_TURNS _Pragma("clang loop unroll_count(20)")
#endif
#ifndef BENCH_TURNS
#define BENCH_TURNS
#endif

#ifndef BENCH_PUTC
#include <stdio.h>
#define BENCH_GETC() getchar()
#define BENCH_PUTC(c) putchar(c)
#define BENCH_FLUSH() fflush(stdout) /* without it the bench waits for an answer that never leaves the buffer */
#endif
#ifndef BENCH_FLUSH
#define BENCH_FLUSH() ((void)0)
#endif

#if defined(__GNUC__) || defined(__clang__)
#define BENCH_FN __attribute__((unused)) static
#else
#define BENCH_FN static
#endif

#define BENCH_FAILED INT32_MIN   /* a count: that reading failed */
#define BENCH_NO_CLOCK INT64_MIN /* the clock cannot be read */

enum bench_event {
    BENCH_CLOSED = -1, /* the bench is gone */
    BENCH_GREETING,    /* power-up: the constants below are set */
    BENCH_READING,     /* a new reading */
    BENCH_SETTING,     /* somebody changed a setting */
    BENCH_END,         /* the test is over: write what is still in memory */
    BENCH_OTHER        /* a line of a later version: answer it with bench_ok() all the same */
};

enum bench_contact { BENCH_UNSAID, BENCH_OFF, BENCH_ON };

static struct {
    /* constants and settings: from the greeting, changed by settings */
    int32_t tick_bits, tick_hz;             /* width of the counter and its nominal rate */
    int64_t shunt_nohm;                     /* shunt in nanoohm */
    int32_t shunt_step_nv, bus_step_uv;     /* one count */
    int32_t shunt_max, bus_max;             /* last counts before saturation */
    int32_t bus_at, channels;               /* 0 bus at the pack, 1 behind the shunt; 1 to 4 */
    int32_t read_ms, log_ms;                /* nominal time between readings; time between rows */
    int32_t cutoff_mv, cutoff_hold_ms;      /* stop the load below this for so long; 0 mV: no cutoff */
    int32_t charge_end_mv, charge_taper_ma; /* stop the charger */
    int32_t zone_min;                       /* user's wall clock, minutes east of UTC */
    /* the newest reading */
    uint64_t tick;      /* free-running counter, wraps at tick_bits */
    int32_t shunt, bus; /* counts, or BENCH_FAILED */
    int64_t clock;      /* Unix seconds, or BENCH_NO_CLOCK */
    int32_t shunt2, bus2, shunt3, bus3, shunt4, bus4;
    int32_t temp_mdeg, aux1;
    uint8_t has_temp, has_aux1;
    uint8_t card_fails; /* the next write to the card would fail */
    uint8_t load, charge; /* contacts as they are: enum bench_contact */
    /* private: the word that was read last */
    char word[40];
    uint8_t line_ended;
#ifdef BENCH_SEQ
    uint8_t sealed;           /* the bench has begun to number and check lines; one on a pipe never does */
    uint8_t greeting;         /* the greeting is being answered */
    uint32_t seq;             /* of the newest line that was acted upon */
    uint16_t crc_in, crc_bare; /* of the line that is being read; of it without its last word */
    uint16_t crc_out;         /* of the answer */
    uint32_t kept;            /* bytes of the answer; above BENCH_SEQ: it does not fit */
    char answer[BENCH_SEQ];
#endif
} bench;

#ifdef BENCH_SEQ
/* CRC-16/MODBUS. */
BENCH_FN uint16_t bench_crc_(uint16_t crc, char c) {
    uint8_t i;
    crc = (uint16_t)(crc ^ (unsigned char)c);
    for (i = 0; i < 8; i++) crc = (uint16_t)(crc & 1 ? (crc >> 1) ^ 0xA001 : crc >> 1);
    return crc;
}
#endif

/* Writes a byte of a row: for rows that are made piece by piece. */
BENCH_FN void bench_put(char c) {
#ifdef BENCH_SEQ
    bench.crc_out = bench_crc_(bench.crc_out, c);
    if (bench.kept < BENCH_SEQ) bench.answer[bench.kept] = c;
    if (bench.kept <= BENCH_SEQ) bench.kept++;
#endif
    BENCH_PUTC(c);
}

/* Reads the next word of the line into bench.word, cut to its size. Returns 0 at the end of the line, -1 if the bench is gone. */
BENCH_FN int bench_word_(void) {
    uint8_t n = 0;
    bench.word[0] = 0;
    if (bench.line_ended) return 0;
    BENCH_TURNS
    for (;;) {
        int c = BENCH_GETC();
        if (c < 0) return -1;
        if (c == '\n') {
            bench.line_ended = 1;
            return n > 0;
        }
#ifdef BENCH_SEQ
        if (c == ' ') bench.crc_bare = bench.crc_in;
        if (c != '\r') bench.crc_in = bench_crc_(bench.crc_in, (char)c);
#endif
        if (c == ' ' && n > 0) return 1;
        if (c != ' ' && c != '\r' && n < sizeof bench.word - 1) {
            bench.word[n++] = (char)c;
            bench.word[n] = 0;
        }
    }
}

BENCH_FN int bench_is_(const char *a, const char *b) {
    while (*a && *a == *b) a++, b++;
    return *a == *b;
}

/* Reads digits with or without a minus sign; "-" alone gives none. */
BENCH_FN int64_t bench_number_(const char *s, int64_t none) {
    uint8_t minus = *s == '-', i;
    uint64_t n = 0;
    if (minus) s++;
    if (!*s) return none;
    BENCH_TURNS
    for (i = 0; i < 20 && *s >= '0' && *s <= '9'; i++) n = n * 10 + (uint64_t)(*s++ - '0');
    return minus ? (int64_t)(0 - n) : (int64_t)n;
}

/* Splits bench.word at '='; returns the value, "" if there is none. */
BENCH_FN char *bench_value_(void) {
    char *s = bench.word;
    while (*s && *s != '=') s++;
    if (*s) *s++ = 0;
    return s;
}

BENCH_FN void bench_keep_(const char *value) {
    static const struct {
        const char *key;
        int32_t *to;
    } keys[] = {
        {"tick_bits", &bench.tick_bits}, {"tick_hz", &bench.tick_hz}, {"shunt_step_nv", &bench.shunt_step_nv},
        {"bus_step_uv", &bench.bus_step_uv}, {"shunt_max", &bench.shunt_max}, {"bus_max", &bench.bus_max}, {"bus_at", &bench.bus_at},
        {"channels", &bench.channels}, {"read_ms", &bench.read_ms}, {"log_ms", &bench.log_ms}, {"cutoff_mv", &bench.cutoff_mv},
        {"cutoff_hold_ms", &bench.cutoff_hold_ms}, {"charge_end_mv", &bench.charge_end_mv}, {"charge_taper_ma", &bench.charge_taper_ma},
        {"zone_min", &bench.zone_min}, {"temp_mdeg", &bench.temp_mdeg}, {"aux1", &bench.aux1},
        {"shunt2", &bench.shunt2}, {"bus2", &bench.bus2}, {"shunt3", &bench.shunt3}, {"bus3", &bench.bus3},
        {"shunt4", &bench.shunt4}, {"bus4", &bench.bus4},
    };
    uint8_t i;
    if (bench_is_(bench.word, "shunt_nohm")) bench.shunt_nohm = bench_number_(value, 0);
    if (bench_is_(bench.word, "temp_mdeg")) bench.has_temp = 1;
    if (bench_is_(bench.word, "aux1")) bench.has_aux1 = 1;
    if (bench_is_(bench.word, "card")) bench.card_fails = 1;
    if (bench_is_(bench.word, "load")) bench.load = bench_is_(value, "on") ? BENCH_ON : BENCH_OFF;
    if (bench_is_(bench.word, "charge")) bench.charge = bench_is_(value, "on") ? BENCH_ON : BENCH_OFF;
    for (i = 0; i < sizeof keys / sizeof keys[0]; i++)
        if (bench_is_(bench.word, keys[i].key)) *keys[i].to = (int32_t)bench_number_(value, BENCH_FAILED);
}

#ifdef BENCH_SEQ
/* What the newest line says of itself. */
static struct {
    uint32_t seq;
    uint8_t sealed; /* it has a number or a check, or had before it was damaged */
    uint8_t whole;  /* its check is right */
    uint8_t again;  /* it asks for an answer again */
} bench_got_;

BENCH_FN int32_t bench_hex_(const char *s) {
    int32_t n = 0;
    uint8_t i;
    for (i = 0; i < 4; i++, s++) {
        if (*s >= '0' && *s <= '9') n = n * 16 + (*s - '0');
        else if (*s >= 'A' && *s <= 'F') n = n * 16 + (*s - 'A' + 10);
        else if (*s >= 'a' && *s <= 'f') n = n * 16 + (*s - 'a' + 10);
        else return -1;
    }
    return *s ? -1 : n;
}
#endif

BENCH_FN int bench_line_in_(void) {
    int event, more;
    bench.line_ended = 0;
#ifdef BENCH_SEQ
    bench.crc_in = 0xffff;
    bench_got_.seq = 0;
    bench_got_.sealed = bench_got_.whole = bench_got_.again = 0;
#endif
    more = bench_word_();
    if (more < 0) return BENCH_CLOSED;
    if (bench.word[0] == 'r' && !bench.word[1]) {
        event = BENCH_READING;
        bench.has_temp = bench.has_aux1 = bench.card_fails = 0;
        bench.load = bench.charge = BENCH_UNSAID;
        bench_word_();
        bench.tick = (uint64_t)bench_number_(bench.word, 0);
        bench_word_();
        bench.shunt = (int32_t)bench_number_(bench.word, BENCH_FAILED);
        bench_word_();
        bench.bus = (int32_t)bench_number_(bench.word, BENCH_FAILED);
        bench_word_();
        bench.clock = bench_number_(bench.word, BENCH_NO_CLOCK);
    } else if (bench_is_(bench.word, "stuntcell")) {
        event = BENCH_GREETING;
    } else if (bench_is_(bench.word, "set")) {
        event = BENCH_SETTING;
    } else if (bench_is_(bench.word, "end")) {
        event = BENCH_END;
    } else {
        event = BENCH_OTHER;
#ifdef BENCH_SEQ
        bench_got_.again = (uint8_t)bench_is_(bench.word, "again");
#endif
    }
    while ((more = bench_word_()) > 0) {
        char *value = bench_value_();
#ifdef BENCH_SEQ
        if (bench_got_.again && !*value) bench_got_.seq = (uint32_t)bench_number_(bench.word, 0);
        if (bench_is_(bench.word, "seq")) bench_got_.seq = (uint32_t)bench_number_(value, 0);
        if (bench_is_(bench.word, "seq") || bench_is_(bench.word, "crc")) bench_got_.sealed = 1;
        bench_got_.whole = (uint8_t)(bench_is_(bench.word, "crc") && bench_hex_(value) == bench.crc_bare);
#endif
        bench_keep_(value);
    }
    return more < 0 ? (int)BENCH_CLOSED : event;
}

/* Parts of a row, for a chip without printf: bench_row_begin(), any number of these, bench_row_end(). */
BENCH_FN void bench_text(const char *s) {
    while (*s) bench_put(*s++);
}

BENCH_FN void bench_unsigned(uint64_t n) {
    char digits[20];
    uint8_t i = 0;
    do {
        digits[i++] = (char)('0' + n % 10);
        n /= 10;
    } while (n);
    while (i > 0) bench_put(digits[--i]);
}

BENCH_FN void bench_signed(int64_t n) {
    if (n < 0) bench_put('-');
    bench_unsigned(n < 0 ? 0 - (uint64_t)n : (uint64_t)n);
}

/* bench_decimal writes n / 10^places, such as (-1234, 3) as -1.234. */
BENCH_FN void bench_decimal(int64_t n, uint8_t places) {
    uint64_t size = n < 0 ? 0 - (uint64_t)n : (uint64_t)n, one = 1;
    uint8_t i;
    for (i = 0; i < places; i++) one *= 10;
    if (n < 0) bench_put('-');
    bench_unsigned(size / one);
    if (places == 0) return;
    bench_put('.');
    for (size %= one; one > 1; size %= one) {
        one /= 10;
        bench_put((char)('0' + size / one));
    }
}

BENCH_FN void bench_row_begin(void) { bench_text("row "); }
BENCH_FN void bench_row_end(void) { bench_put('\n'); }

BENCH_FN void bench_line_(const char *word, const char *text) {
    bench_text(word);
    bench_text(text);
    bench_put('\n');
}

/* PLACE 3: writes a row of the log; the first one may be a header. */
BENCH_FN void bench_row(const char *text) { bench_line_("row ", text); }
/* Tells a person something. */
BENCH_FN void bench_say(const char *text) { bench_line_("say ", text); }
/* A new log file was opened: rows from here on go there. */
BENCH_FN void bench_file(const char *name) { bench_line_("file ", name); }
/* The load, the charger was switched. */
BENCH_FN void bench_load(int on) { bench_line_("load ", on ? "on" : "off"); }
BENCH_FN void bench_charge(int on) { bench_line_("charge ", on ? "on" : "off"); }
/* In answer to the greeting: what the logger does not do (load set restore clock count-charge count-discharge energy totals), ... */
BENCH_FN void bench_cannot(const char *names) { bench_line_("cannot ", names); }
/* ... what it does beyond the rest (charge), ... */
BENCH_FN void bench_can(const char *names) { bench_line_("can ", names); }
/* ... and a constant that it has built in. */
BENCH_FN void bench_mine(const char *key, int64_t value) {
    bench_text("mine ");
    bench_text(key);
    bench_put('=');
    bench_signed(value);
    bench_put('\n');
}
/* The clock was set to this Unix second. */
BENCH_FN void bench_clock_set(int64_t second) {
    bench_text("clock ");
    bench_signed(second);
    bench_put('\n');
}
#ifdef BENCH_SEQ
BENCH_FN void bench_seal_(void) {
    uint16_t crc = bench.crc_out;
    uint8_t i;
    bench_text(" crc=");
    for (i = 0; i < 4; i++, crc = (uint16_t)(crc << 4)) bench_put("0123456789ABCDEF"[crc >> 12]);
}

/* Says the newest answer again, without acting again. */
BENCH_FN void bench_repeat_(void) {
    uint32_t i;
    if (bench.kept <= BENCH_SEQ) {
        for (i = 0; i < bench.kept; i++) BENCH_PUTC(bench.answer[i]);
    } else {
        bench.crc_out = 0xffff;
        bench_text("say an answer was too long to be repeated, its rows are lost\nok seq=");
        bench_unsigned(bench.seq);
        bench_seal_();
        bench_put('\n');
        bench.kept = BENCH_SEQ + 1;
    }
    BENCH_FLUSH();
}

/* Asks for the next line of the bench again: it came damaged. */
BENCH_FN void bench_ask_again_(void) {
    uint16_t crc = bench.crc_out;
    uint32_t kept = bench.kept;
    bench.kept = BENCH_SEQ + 1; /* this is no answer: it is not kept */
    bench_text("again ");
    bench_unsigned(bench.seq + 1);
    bench_put('\n');
    bench.crc_out = crc;
    bench.kept = kept;
    BENCH_FLUSH();
}
#endif

/* Done with this line of the bench. */
BENCH_FN void bench_ok(void) {
#ifdef BENCH_SEQ
    if (bench.greeting) bench_text("can seq\n");
#endif
    bench_text("ok");
#ifdef BENCH_SEQ
    if (bench.sealed) {
        bench_text(" seq=");
        bench_unsigned(bench.seq);
        bench_seal_();
    }
#endif
    bench_put('\n');
    BENCH_FLUSH();
}

/* Waits for the next line of the bench and reads it. After everything but BENCH_CLOSED, bench_ok() is due. */
BENCH_FN int bench_next(void) {
#ifndef BENCH_SEQ
    return bench_line_in_();
#else
    for (;;) {
        int event = bench_line_in_();
        if (event == BENCH_CLOSED) return event;
        if (event == BENCH_GREETING) { /* a power-up: numbers begin anew */
            bench.sealed = 0;
            bench.seq = 0;
        } else if (bench_got_.again) {
            if (bench_got_.seq == bench.seq && bench.seq > 0) bench_repeat_();
            else bench_ask_again_();
            continue;
        } else if (bench_got_.sealed || bench.sealed) {
            bench.sealed = 1;
            if (bench_got_.whole && bench_got_.seq == bench.seq) {
                bench_repeat_();
                continue;
            }
            if (!bench_got_.whole || bench_got_.seq != bench.seq + 1) {
                bench_ask_again_();
                continue;
            }
            bench.seq++;
        }
        bench.kept = 0;
        bench.crc_out = 0xffff;
        bench.greeting = event == BENCH_GREETING;
        return event;
    }
#endif
}

/* For a sketch that keeps its own loop(): call it once a turn, before the loop's code. It finishes the answer to the reading
 * before and waits for the next, so that one turn is one reading; settings are taken over on the way. Returns 0 when the
 * test is over: then write what is in memory and call bench_ok(). At power-up call bench_begin() first, as a sketch calls the begin of
 * its serial line; what it prints before its first bench_turn() is part of the answer to the greeting. */
BENCH_FN int bench_begin(void) { return bench_next() == BENCH_GREETING; }

BENCH_FN int bench_turn(void) {
    for (;;) {
        int event;
        bench_ok();
        event = bench_next();
        if (event == BENCH_READING) return 1;
        if (event == BENCH_END || event == BENCH_CLOSED) return 0;
    }
}

#ifdef BENCH_EXPORT
void logger_event(int event);

/* Where the sandbox puts lines of the bench, ... */
BENCH_EXPORT("stuntcell_in") char *bench_in(void) { return bench_in_; }
BENCH_EXPORT("stuntcell_in_size") uint32_t bench_in_size(void) { return sizeof bench_in_; }
/* ... and works on them: each is answered. */
BENCH_EXPORT("stuntcell_step") void bench_step(uint32_t length) {
    int event;
    bench_in_length_ = length;
    bench_in_at_ = 0;
    while (bench_in_at_ < bench_in_length_ && (event = bench_next()) != BENCH_CLOSED) {
        logger_event(event);
        bench_ok();
    }
    bench_flush_();
}
#endif

#endif
