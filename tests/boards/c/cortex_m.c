/* Cortex-M on the MPS2 boards: semihosting out. */
#include <stdint.h>

#include "board.h"

int main(void);

/* One call of the debugger that QEMU is. */
static void semihosting(uint32_t operation, uint32_t argument)
{
    register uint32_t r0 __asm__("r0") = operation;
    register uint32_t r1 __asm__("r1") = argument;

    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
}

void board_write(char byte)
{
    semihosting(0x03, (uint32_t)&byte);
}

void board_end(int well)
{
    semihosting(0x18, well ? 0x20026 : 0x20023);
    for (;;) {
    }
}

void reset(void)
{
    board_end(main() == 0);
}

static void fault(void)
{
    board_end(0);
}

extern uint32_t stack_top[];

/* The first two vectors are the stack and the start; every fault ends the run. */
__attribute__((section(".vectors"), used)) static const struct {
    uint32_t *stack;
    void (*handlers[15])(void);
} vectors = {stack_top, {reset, fault, fault, fault, fault, fault, fault, fault, fault, fault, fault, fault, fault,
                         fault, fault}};
