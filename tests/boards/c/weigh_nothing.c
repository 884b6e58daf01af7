/* Linked to be weighed, never run: what every image in C has. */
#include "board.h"

int main(void)
{
    board_write(0);
    return 0;
}
