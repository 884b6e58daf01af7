/* What the examples in C and C++ need of an emulated chip; its start-up code calls `main`. */
#ifndef BOARD_H
#define BOARD_H

#ifdef __cplusplus
extern "C" {
#endif

/* Writes one byte of text. */
void board_write(char byte);

/* Ends the run. */
void board_end(int well);

#ifdef __cplusplus
}
#endif

#endif
