/* chip-host: runs a chip's firmware in a simulator and joins its UART to standard input and output, so that it is linked to like any
 * child process:
 *
 *   cc -O2 -o chip-host host.c -I/usr/include/simavr -lsimavr -lelf
 *   stuntcell prove --run './chip-host firmware.elf'
 *
 * It is lock step in virtual time: a line is handed to the UART, the chip runs until it has answered with a line `ok`, and only then the
 * next line is read. The same firmware and input take the same number of cycles. The chip's own timers run, but the bench's
 * tick is what a logger is to use. Standard error has what the simulator says. Exit status: 0 when the input ends, 1 when the chip
 * stops by itself, 2 for a wrong use.
 *
 * A part of stuntcell; libsimavr is free software under its own licence and is only linked to. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "avr_uart.h"
#include "sim_avr.h"
#include "sim_elf.h"

static FILE *out; /* what the chip prints; the simulator's own words go to standard error */
static int ready; /* the UART takes another byte */
static char line[16];
static size_t length;
static int answered; /* the newest line was `ok` */

static void on_byte(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)param;
    putc((int)(value & 0xff), out);
    if (value == '\n') {
        if (length > 0 && line[length - 1] == '\r') length--;
        answered = length == 2 && memcmp(line, "ok", 2) == 0;
        length = 0;
    } else {
        if (length < sizeof line) line[length] = (char)value;
        if (length <= sizeof line) length++;
    }
}

static void on_ready(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)value, (void)param;
    ready = 1;
}

static void on_full(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)value, (void)param;
    ready = 0;
}

/* A sleeping chip does not sleep in real time. */
static void no_sleep(avr_t *avr, avr_cycle_count_t cycles) { (void)avr, (void)cycles; }

/* Runs until the chip has set the flag. What it prints in the meantime is shown each second of its time, so that a chip that
 * never answers can be seen to talk. */
static void run_until(avr_t *avr, const int *flag) {
    avr_cycle_count_t show = avr->cycle + avr->frequency;
    while (!*flag) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            fflush(out);
            fprintf(stderr, "the chip has %s at %#x\n", state == cpu_Crashed ? "crashed" : "stopped", (unsigned)avr->pc);
            exit(1);
        }
        if (avr->cycle >= show) {
            fflush(out);
            show = avr->cycle + avr->frequency;
        }
    }
}

int main(int argc, char **argv) {
    const char *mcu = "atmega328p";
    unsigned long hz = 16000000UL;
    elf_firmware_t firmware;
    avr_t *avr;
    avr_irq_t *in;
    uint32_t flags = 0;
    int option, c, real = dup(1);

    while ((option = getopt(argc, argv, "m:f:")) != -1) {
        if (option == 'm') mcu = optarg;
        else if (option == 'f') hz = strtoul(optarg, NULL, 10);
        else return 2;
    }
    if (optind + 1 != argc || hz == 0) {
        fprintf(stderr, "usage: %s [-m MCU] [-f HZ] firmware.elf\n", argv[0]);
        return 2;
    }
    if (real < 0 || dup2(2, 1) < 0 || !(out = fdopen(real, "w"))) {
        perror("standard output");
        return 2;
    }
    memset(&firmware, 0, sizeof firmware);
    if (elf_read_firmware(argv[optind], &firmware) != 0) {
        fprintf(stderr, "%s: no firmware that can be read (expected an ELF file)\n", argv[optind]);
        return 2;
    }
    if (!firmware.mmcu[0]) snprintf(firmware.mmcu, sizeof firmware.mmcu, "%s", mcu);
    if (!firmware.frequency) firmware.frequency = (uint32_t)hz;
    avr = avr_make_mcu_by_name(firmware.mmcu);
    if (!avr) {
        fprintf(stderr, "%s: the simulator does not know this chip\n", firmware.mmcu);
        return 2;
    }
    avr_init(avr);
    avr_load_firmware(avr, &firmware);
    avr->sleep = no_sleep;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(uint32_t)(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_byte, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XON), on_ready, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XOFF), on_full, NULL);
    in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);

    while ((c = getchar()) != EOF) {
        answered = 0;
        run_until(avr, &ready);
        avr_raise_irq(in, (uint32_t)c);
        if (c != '\n') continue;
        run_until(avr, &answered);
        fflush(out);
    }
    fprintf(stderr, "%llu cycles\n", (unsigned long long)avr->cycle);
    return 0;
}
