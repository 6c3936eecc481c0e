/* The frame of a logger on an 8-bit chip: its UART is the bench's line. LOGGER names the file with logger_event(). */
#include <avr/io.h>

static int uart_get(void) {
    while (!(UCSR0A & (1 << RXC0))) {
    }
    return UDR0;
}

static void uart_put(char c) {
    while (!(UCSR0A & (1 << UDRE0))) {
    }
    UDR0 = (unsigned char)c;
}

#define BENCH_GETC() uart_get()
#define BENCH_PUTC(c) uart_put((char)(c))
#define LOGGER_FRAME
#ifndef LOGGER
#define LOGGER "integer.c"
#endif
#include LOGGER

int main(void) {
    UCSR0A = 1 << U2X0;
    UBRR0 = 1; /* 1 Mbaud at 16 MHz */
    UCSR0B = (1 << RXEN0) | (1 << TXEN0);
    for (;;) {
        int event = bench_next();
        logger_event(event);
        bench_ok();
    }
}
