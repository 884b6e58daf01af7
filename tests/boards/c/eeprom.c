/* The byte EEPROM of `firmware-core/c-api/examples/split_move.c`: the chip's own on the AVR, else an array. */
#include "gapkeeper.h"

uint8_t read_byte(void *context, uint32_t address, uint8_t *byte);
uint8_t write_byte(void *context, uint32_t address, uint8_t byte);

#ifdef __AVR__
#include <avr/io.h>

static void wait_and_go_to(uint32_t address)
{
    while ((EECR & (1 << EEPE)) != 0) {
    }
    EEAR = (uint16_t)address;
}

uint8_t read_byte(void *context, uint32_t address, uint8_t *byte)
{
    (void)context;
    wait_and_go_to(address);
    EECR |= 1 << EERE;
    *byte = EEDR;
    return GAPKEEPER_MEMORY_ANSWER_DONE;
}

uint8_t write_byte(void *context, uint32_t address, uint8_t byte)
{
    (void)context;
    wait_and_go_to(address);
    EEDR = byte;
    /* The second follows the first within four cycles; interrupts are off here. */
    EECR = 1 << EEMPE;
    EECR |= 1 << EEPE;
    while ((EECR & (1 << EEPE)) != 0) {
    }
    return GAPKEEPER_MEMORY_ANSWER_DONE;
}

#else

/* Inverted: a new part holds ones. */
static uint8_t cells[1024];

uint8_t read_byte(void *context, uint32_t address, uint8_t *byte)
{
    (void)context;
    *byte = (uint8_t)~cells[address];
    return GAPKEEPER_MEMORY_ANSWER_DONE;
}

uint8_t write_byte(void *context, uint32_t address, uint8_t byte)
{
    (void)context;
    cells[address] = (uint8_t)~byte;
    return GAPKEEPER_MEMORY_ANSWER_DONE;
}

#endif
