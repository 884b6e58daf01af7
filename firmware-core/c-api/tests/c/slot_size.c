/* The header's macro for the size of a slot is the library's function. */
#include "gapkeeper.h"
#include <stdio.h>

int main(void)
{
    uint32_t unit;

    for (unit = 1; unit <= 5000; unit++) {
        if (GAPKEEPER_SLOT_SIZE(unit) != gapkeeper_slot_size(unit)) {
            printf("%lu\n", (unsigned long)unit);
        }
    }
    puts("compared");
    return 0;
}
