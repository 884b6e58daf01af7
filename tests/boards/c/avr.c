/* ATmega2560 in simavr: UART 0 out. Start-up is avr-gcc's. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

#include "board.h"

void board_write(char byte)
{
    UCSR0B = 1 << TXEN0;
    while ((UCSR0A & (1 << UDRE0)) == 0) {
    }
    UDR0 = (uint8_t)byte;
}

static void write_text(const char *text)
{
    while (*text != 0) {
        board_write(*text++);
    }
}

void board_end(int well)
{
    write_text(well ? "end\n" : "failed\n");
    /* Without interrupts nothing wakes the chip again. */
    cli();
    sleep_enable();
    sleep_cpu();
    for (;;) {
    }
}

/* Where avr-gcc's start-up code goes on when `main` is done. */
void exit(int status)
{
    board_end(status == 0);
    for (;;) {
    }
}
