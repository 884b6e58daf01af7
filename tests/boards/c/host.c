/* This computer in the place of a chip, for what an example should print without texts. */
#include <stdio.h>
#include <stdlib.h>

#include "board.h"

void board_write(char byte)
{
    putchar(byte);
}

void board_end(int well)
{
    exit(well ? EXIT_SUCCESS : EXIT_FAILURE);
}
