/* RV32IMC on QEMU's virt board: a UART out, a device that ends QEMU. */
#include <stdint.h>

#include "board.h"

int main(void);

void board_write(char byte)
{
    *(volatile uint8_t *)0x10000000 = (uint8_t)byte;
}

void board_end(int well)
{
    *(volatile uint32_t *)0x100000 = well ? 0x5555 : 0x13333;
    for (;;) {
    }
}

void start(void);

void start(void)
{
    board_end(main() == 0);
}

void fault(void);

/* Machine mode enters handlers at multiples of four. */
__attribute__((aligned(4))) void fault(void)
{
    board_end(0);
}

__asm__(".section .reset, \"ax\"\n"
        ".global reset\n"
        "reset:\n"
        ".option arch, +zicsr\n"
        "la sp, stack_top\n"
        "la t0, fault\n"
        "csrw mtvec, t0\n"
        "j start\n"
        ".text\n");
