/* Text and numbers out, without a library of C. */
#ifndef PRINT_H
#define PRINT_H

#include "board.h"

static inline void print_text(const char *text)
{
    while (*text != 0) {
        board_write(*text++);
    }
}

static inline void print_number(long number)
{
    /* The least of all has no positive of its own. */
    unsigned long rest = number < 0 ? 0 - (unsigned long)number : (unsigned long)number;
    char digits[10];
    int count = 0;

    if (number < 0) {
        board_write('-');
    }
    do {
        digits[count++] = (char)('0' + rest % 10);
        rest /= 10;
    } while (rest != 0);
    while (count > 0) {
        board_write(digits[--count]);
    }
}

/* A name and a number on a line of their own. */
static inline void print_named(const char *name, long number)
{
    print_text(name);
    print_text(" ");
    print_number(number);
    print_text("\n");
}

#endif
